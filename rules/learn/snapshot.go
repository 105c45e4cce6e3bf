package learn

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
)

// A snapshot is the magic word, a version byte, the plain little-endian image
// of core, and a CRC-32 of all that.
const (
	snapMagic   = "lampward learner "
	snapVersion = 17
)

// MarshalBinary gives everything learned, exactly and always in the same
// bytes, in less than 8 kB.
func (l *Learner) MarshalBinary() ([]byte, error) {
	b := make([]byte, snapSize)
	n := copy(b, snapMagic)
	b[n] = snapVersion
	l.c.image(&image{b: b[n+1 : len(b)-4]})
	binary.LittleEndian.PutUint32(b[len(b)-4:], crc(b[:len(b)-4]))
	return b, nil
}

var snapSize = len(snapMagic) + 1 + binary.Size(core{}) + 4

// ErrVersion says that a snapshot is of another version of the learner. What it
// held can be learned again from the readings.
var ErrVersion = errors.New("a snapshot of another version")

var errSnapshot = errors.New("restore a backup, or delete this lamp's learned state and let it learn anew (a day or two)")

// UnmarshalBinary restores what MarshalBinary gave. On error the Learner is
// unchanged.
func (l *Learner) UnmarshalBinary(b []byte) error {
	n := len(snapMagic)
	switch {
	case len(b) < n+1 || string(b[:n]) != snapMagic:
		return fmt.Errorf("this is no learner snapshot: %w", errSnapshot)
	case b[n] != snapVersion:
		return fmt.Errorf("%w: learner snapshot has version %d, this program knows version %d: use the program version that wrote it, or %w", ErrVersion, b[n], snapVersion, errSnapshot)
	case len(b) != snapSize:
		return fmt.Errorf("learner snapshot has %d bytes instead of %d: it is damaged: %w", len(b), snapSize, errSnapshot)
	case crc(b[:len(b)-4]) != binary.LittleEndian.Uint32(b[len(b)-4:]):
		return fmt.Errorf("learner snapshot fails its checksum: it is damaged: %w", errSnapshot)
	}
	var c core
	m := image{b: b[n+1 : len(b)-4], reading: true}
	c.image(&m)
	if m.strange {
		return fmt.Errorf("learner snapshot: holds a number that no learner writes: %w", errSnapshot)
	}
	if err := c.check(); err != nil {
		return fmt.Errorf("learner snapshot: %w: %w", err, errSnapshot)
	}
	l.c = c
	return nil
}

// check refuses an image that no Learner can have written.
func (c *core) check() error {
	if c.State > Blinking || c.Why.State > Blinking || c.Why.From > Blinking || c.Man.N > blinkWindow || c.Fault > Fading || c.F.N > nHyp || c.Edges.N > nBuf || c.Edges.NE > nEdges || c.Noise.N >= 30 || int(max(c.Health.Near.Band, c.Health.End)) > nBands {
		return errors.New("holds an unknown state")
	}
	if s := &c.Smooth; s.Kind > byMean || s.Kind == byMean && (s.Long < 2 || s.Long > mostMean) || s.Long > mostMean || s.Small >= blockOf || s.Kind == byShare && !(s.stays() > 0 && s.stays() < 1) || s.Weight < 0 || s.Blocks > 0 && s.Weight == 0 || c.F.NRipple > uint32(len(c.F.Ripples)) {
		return errors.New("holds a smoothing that no board does")
	}
	if c.Health.End == 0 && c.Health.Flap != 0 {
		return errors.New("tells of readings at an end of the range, and not at which")
	}
	for i, h := range c.F.H {
		if h.S == Learning && i < int(c.F.N) || h.S > Blinking || h.Prev > Blinking || h.Other > Lit || h.Phase > 1 || h.Run > maxRun || h.S == Blinking && h.Run == 0 {
			return errors.New("holds an impossible history")
		}
	}
	if a := &c.F.Alias; a.Seen&1 != 0 || a.Odds < 0 || a.Odds > mostOdds || a.Since < 0 || a.Since > mostSince {
		return errors.New("holds an impossible rhythm")
	}
	if c.Known && c.F.N == 0 {
		return errors.New("holds no history of a known lamp")
	}
	return nil
}

func crc(b []byte) uint32 { return crc32.ChecksumIEEE(b) }
