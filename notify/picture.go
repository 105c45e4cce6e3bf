package notify

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"time"
)

// Point is one reading of a trace.
type Point struct {
	At    time.Time
	Value float64
}

// Size of the picture, in pixels, and colours of its palette: a light ground
// that also stands out on a dark mail client, a frame, the trace, the levels.
const (
	pictureWidth  = 640
	pictureHeight = 200
	pictureMargin = 8
)

var picturePalette = color.Palette{
	color.RGBA{0xfb, 0xfb, 0xf8, 0xff},
	color.RGBA{0xcf, 0xcf, 0xc8, 0xff},
	color.RGBA{0x1d, 0x3b, 0x53, 0xff},
	color.RGBA{0xb3, 0x5c, 0x00, 0xff},
}

const (
	inkGround = iota
	inkFrame
	inkTrace
	inkLevel
)

// tracePNG draws readings, oldest first, and levels as dashed lines. PNG and
// not SVG, for mail clients show no SVG (common practice, no source). Points
// that are not finite are left out; fewer than two give an error.
func tracePNG(points []Point, levels []float64) ([]byte, error) {
	var ok []Point
	lo, hi := math.Inf(1), math.Inf(-1)
	see := func(v float64) bool {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
		lo, hi = min(lo, v), max(hi, v)
		return true
	}
	for _, p := range points {
		if see(p.Value) {
			ok = append(ok, p)
		}
	}
	if len(ok) < 2 || !ok[0].At.Before(ok[len(ok)-1].At) {
		return nil, fmt.Errorf("a trace needs two readings at different times")
	}
	var shown []float64
	for _, l := range levels {
		if see(l) {
			shown = append(shown, l)
		}
	}
	img := image.NewPaletted(image.Rect(0, 0, pictureWidth, pictureHeight), picturePalette)
	for x := range pictureWidth {
		img.SetColorIndex(x, 0, inkFrame)
		img.SetColorIndex(x, pictureHeight-1, inkFrame)
	}
	for y := range pictureHeight {
		img.SetColorIndex(0, y, inkFrame)
		img.SetColorIndex(pictureWidth-1, y, inkFrame)
	}
	const w, h = pictureWidth - 2*pictureMargin, pictureHeight - 2*pictureMargin
	// Halves, for the span of two finite numbers need not be finite.
	span := hi/2 - lo/2
	toY := func(v float64) int {
		if span == 0 {
			return pictureHeight / 2
		}
		return pictureMargin + int(math.Round((hi/2-v/2)/span*(h-1)))
	}
	first, last := ok[0].At, ok[len(ok)-1].At
	whole := last.Sub(first).Seconds()
	toX := func(t time.Time) int {
		x := pictureMargin + int(math.Round(t.Sub(first).Seconds()/whole*(w-1)))
		return min(max(x, pictureMargin), pictureMargin+w-1)
	}
	for _, l := range shown {
		y := toY(l)
		for x := pictureMargin; x < pictureMargin+w; x++ {
			if x/6%2 == 0 {
				img.SetColorIndex(x, y, inkLevel)
			}
		}
	}
	px, py := toX(ok[0].At), toY(ok[0].Value)
	for _, p := range ok[1:] {
		x, y := toX(p.At), toY(p.Value)
		line(img, px, py, x, y)
		px, py = x, y
	}
	var b bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&b, img); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// line draws two pixels thick, by Bresenham's method.
func line(img *image.Paletted, x0, y0, x1, y1 int) {
	dx, dy := abs(x1-x0), -abs(y1-y0)
	sx, sy := sign(x1-x0), sign(y1-y0)
	e := dx + dy
	for {
		img.SetColorIndex(x0, y0, inkTrace)
		img.SetColorIndex(x0, y0+1, inkTrace)
		img.SetColorIndex(x0+1, y0, inkTrace)
		if x0 == x1 && y0 == y1 {
			return
		}
		e2 := 2 * e
		if e2 >= dy {
			e += dy
			x0 += sx
		}
		if e2 <= dx {
			e += dx
			y0 += sy
		}
	}
}

func abs(x int) int {
	if x < 0 {
		return -x
	}
	return x
}

func sign(x int) int {
	switch {
	case x < 0:
		return -1
	case x > 0:
		return 1
	}
	return 0
}
