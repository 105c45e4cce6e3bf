package page

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// countingWriter counts the bytes of an answer.
type countingWriter struct {
	http.ResponseWriter
	n *atomic.Int64
}

func (c countingWriter) Unwrap() http.ResponseWriter { return c.ResponseWriter }

func (c countingWriter) Write(b []byte) (int, error) {
	c.n.Add(int64(len(b)))
	return c.ResponseWriter.Write(b)
}

// A stream is compressed for who takes that, each update whole with its flush:
// the list of 1,000 lamps in a tenth of its bytes at most. It ends as gzip does.
func TestStreamIsCompressed(t *testing.T) {
	f := &moving{fake: newFake()}
	l := f.st.Lamps[0]
	for i := range 1000 {
		l.Name, l.Board = fmt.Sprint("lamp ", i), fmt.Sprint("lamp ", i)
		f.st.Lamps = append(f.st.Lamps, l)
	}
	s := newServer(t, nil, func(o *Options) { o.Source = f })
	var sent atomic.Int64
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Host = "127.0.0.1:8080"
		s.Handler().ServeHTTP(countingWriter{w, &sent}, r)
	}))
	defer srv.Close()
	client := &http.Client{Transport: &http.Transport{DisableCompression: true}}
	read := func(encoding string) (bytes int64, text string, rest io.Reader) {
		sent.Store(0)
		req, err := http.NewRequestWithContext(t.Context(), "GET", srv.URL+"/live?view=glance", nil) // without a mark all is new
		require.NoError(t, err)
		req.Header.Set("Accept-Encoding", encoding)
		res, err := client.Do(req)
		require.NoError(t, err)
		t.Cleanup(func() { res.Body.Close() })
		rest = res.Body
		if encoding != "identity" {
			require.Equal(t, "gzip", res.Header.Get("Content-Encoding"))
			require.Contains(t, res.Header.Values("Vary"), "Accept-Encoding")
			rest, err = gzip.NewReader(rest)
			require.NoError(t, err)
		} else {
			require.Empty(t, res.Header.Get("Content-Encoding"))
		}
		in := bufio.NewReader(rest)
		for !strings.Contains(text, "event: mark") { // the last of an update: it must come without another
			line, err := in.ReadString('\n')
			require.NoError(t, err)
			text += line
		}
		return sent.Load(), text, in
	}
	plain, want, _ := read("identity")
	zipped, got, rest := read("br, gzip")
	clock := regexp.MustCompile(`"now":\d+`)
	require.True(t, clock.ReplaceAllString(want, "") == clock.ReplaceAllString(got, ""), "what is read is the same")
	assert.Greater(t, plain, int64(500_000))
	assert.Less(t, zipped, plain/10)
	t.Logf("%d bytes, compressed %d", plain, zipped)

	ctx, stop := context.WithTimeout(t.Context(), 10*time.Second)
	defer stop()
	s.Close()
	ended := make(chan error, 1)
	go func() { _, err := io.Copy(io.Discard, rest); ended <- err }()
	select {
	case err := <-ended:
		assert.NoError(t, err, "the checksum too is right")
	case <-ctx.Done():
		t.Fatal("it does not end")
	}
}

// Each file is the same to who takes gzip as to who does not.
func TestAssetsUnzip(t *testing.T) {
	assets, err := loadAssets(files)
	require.NoError(t, err)
	require.Greater(t, len(assets), 2)
	for name, a := range assets {
		z, err := gzip.NewReader(bytes.NewReader(a.zipped))
		require.NoError(t, err, name)
		plain, err := io.ReadAll(z)
		require.NoError(t, err, name)
		require.Equal(t, string(a.plain), string(plain), name)
		require.Less(t, len(a.zipped), len(plain), name)
	}
}
