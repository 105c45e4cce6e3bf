package page

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"hash/crc32"
	"net/http"
	"sync"
)

// zipStream compresses a stream: what was written goes out with the next flush,
// whole. Each flush has a compressor of its own, from a pool, so that who watches
// costs no memory in between (one takes more than a megabyte): blocks that refer
// to nothing before them, one after the other, are one deflate stream
// (RFC 1951), and that is what a gzip member holds (RFC 1952).
type zipStream struct {
	http.ResponseWriter
	flusher *http.ResponseController // of the ResponseWriter
	held    bytes.Buffer
	begun   bool
	sum     uint32 // CRC-32 of all that was sent
	size    uint32 // bytes of it
}

var streamZippers = sync.Pool{New: func() any {
	f, _ := flate.NewWriter(nil, flate.BestSpeed)
	return f
}}

// A gzip member begins with: deflate, no flags, no time, best speed, no operating
// system known. Its last block is one of no bytes as they are.
var (
	gzipHead  = []byte{0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 4, 255}
	lastBlock = []byte{1, 0, 0, 0xff, 0xff}
)

func newZipStream(w http.ResponseWriter) *zipStream {
	w.Header().Set("Content-Encoding", "gzip")
	w.Header().Add("Vary", "Accept-Encoding")
	return &zipStream{ResponseWriter: w, flusher: http.NewResponseController(w)}
}

// Unwrap is for http.ResponseController.
func (z *zipStream) Unwrap() http.ResponseWriter { return z.ResponseWriter }

func (z *zipStream) Write(b []byte) (int, error) { return z.held.Write(b) }

// FlushError sends what was written.
func (z *zipStream) FlushError() error {
	if z.held.Len() > 0 {
		if err := z.send(); err != nil {
			return err
		}
		if z.held.Reset(); z.held.Cap() > 64<<10 {
			z.held = bytes.Buffer{} // one long list is no reason to keep so much
		}
	}
	return z.flusher.Flush()
}

func (z *zipStream) send() error {
	var out bytes.Buffer // no compressor waits for who reads slowly
	if !z.begun {
		z.begun = true
		out.Write(gzipHead)
	}
	f := streamZippers.Get().(*flate.Writer)
	f.Reset(&out)
	_, err := f.Write(z.held.Bytes())
	if err == nil {
		err = f.Flush() // ends at a byte, with a block that is not the last
	}
	f.Reset(nil)
	streamZippers.Put(f)
	if err != nil {
		return err
	}
	z.sum = crc32.Update(z.sum, crc32.IEEETable, z.held.Bytes())
	z.size += uint32(z.held.Len())
	_, err = z.ResponseWriter.Write(out.Bytes())
	return err
}

// end ends the member, so that the other side sees the end of a stream, not a
// broken one.
func (z *zipStream) end() {
	if !z.begun {
		return
	}
	tail := binary.LittleEndian.AppendUint32(bytes.Clone(lastBlock), z.sum)
	_, _ = z.ResponseWriter.Write(binary.LittleEndian.AppendUint32(tail, z.size))
}
