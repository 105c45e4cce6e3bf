package span

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

func TestText(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Second: "0 s", 45 * time.Second: "45 s", 12 * time.Minute: "12 min",
		200 * time.Minute: "3 h 20 min", 3 * time.Hour: "3 h", 52 * time.Hour: "2 d 4 h", 72 * time.Hour: "3 d",
	} {
		assert.Equal(t, want, Text(d))
	}
}

func TestCount(t *testing.T) {
	assert.Equal(t, "0 lamps", Count(0, "lamp"))
	assert.Equal(t, "1 lamp", Count(int64(1), "lamp"))
	assert.Equal(t, "2 dead letters", Count(uint32(2), "dead letter"))
}
