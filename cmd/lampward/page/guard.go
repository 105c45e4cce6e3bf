package page

import (
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"path"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
)

// guard wraps everything: it sets the security headers, refuses requests that
// another site made a browser send, refuses host names that are not ours, and
// keeps a bug in one answer from ending the others.
func (s *Server) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		text := "This was sent by another site, so nothing was done."
		if r.Header.Get("Sec-Fetch-Site") == "" { // known by the names alone, which may be those of a proxy
			text += " If it was this page, a proxy before it hides its name: have the proxy pass on Host as the browser sent it, or write the page's address as url in the [page] table."
		}
		s.problem(w, r, http.StatusForbidden, text)
	}))
	if s.o.Origin != "" {
		if err := cross.AddTrustedOrigin(originOf(s.o.Origin)); err != nil {
			s.log.Warn("the page's address is no origin that a browser names", "error", err)
		}
	}
	next = cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r = s.behind(r)
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "+
			"connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		defer func() {
			if v := recover(); v != nil {
				if v == http.ErrAbortHandler {
					panic(v)
				}
				s.log.Error("the page failed on a request", "path", r.URL.Path, "panic", v, "stack", string(debug.Stack()))
				http.Error(w, "lampward made a mistake with this request; its log says more", http.StatusInternalServerError)
			}
		}()
		if !s.hostKnown(r.Host) {
			http.Error(w, "This page does not answer to the name "+ascii(r.Host)+". Open it as http://127.0.0.1, or add the name to hosts in the [page] table.", http.StatusMisdirectedRequest)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		if !compressible(r) {
			next.ServeHTTP(w, r)
			return
		}
		z := &zipped{ResponseWriter: w}
		next.ServeHTTP(z, r)
		z.finish()
	})
}

// originOf writes an address as browsers write an origin (RFC 6454 section 6.1, from
// memory): in lower case, without the usual port.
func originOf(address string) string {
	address = strings.ToLower(address)
	for scheme, port := range map[string]string{"http://": ":80", "https://": ":443"} {
		if strings.HasPrefix(address, scheme) {
			address = strings.TrimSuffix(address, port)
		}
	}
	return address
}

// maxBody is what a request may carry, in bytes.
const maxBody = 64 << 10

// hostKnown keeps out foreign names that were made to point at this machine
// (DNS rebinding), which would let another site read the page: without a login
// only names of this machine itself count, and those that were configured, be it in the
// address that the links in messages have.
func (s *Server) hostKnown(hostport string) bool {
	host := hostName(hostport)
	if slices.Contains(s.o.Hosts, host) {
		return true
	}
	if u, err := url.Parse(s.o.Origin); err == nil && u.Host != "" && host == hostName(u.Host) {
		return true
	}
	if ip := net.ParseIP(host); host == "localhost" || strings.HasSuffix(host, ".localhost") || ip != nil && ip.IsLoopback() {
		return true
	}
	return len(s.o.People) > 0 && len(s.o.Hosts) == 0
}

// hostName is the name in a host with or without a port, as names are compared.
func hostName(hostport string) string {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	return strings.TrimSuffix(strings.ToLower(strings.Trim(host, "[]")), ".")
}

// ascii keeps what a stranger sent fit to be shown in plain text.
func ascii(s string) string {
	s = strings.Map(func(r rune) rune {
		if r > ' ' && r < 0x7f {
			return r
		}
		return -1
	}, s)
	return s[:min(len(s), 100)]
}

// asset is a file of the page.
type asset struct {
	kind   string
	plain  []byte
	zipped []byte
	sum    string
}

var assetKinds = map[string]string{
	".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	".svg": "image/svg+xml", ".webmanifest": "application/manifest+json",
}

func loadAssets(files fs.FS) (map[string]asset, error) {
	out := map[string]asset{}
	list, err := fs.ReadDir(files, "static")
	if err != nil {
		return nil, err
	}
	g := gzip.NewWriter(nil) // one for all, for each takes 800 kB
	for _, f := range list {
		b, err := fs.ReadFile(files, "static/"+f.Name())
		if err != nil {
			return nil, err
		}
		sum := sha256.Sum256(b)
		var z strings.Builder
		g.Reset(&z)
		_, _ = g.Write(b) // a strings.Builder takes everything
		_ = g.Close()
		out[f.Name()] = asset{assetKinds[path.Ext(f.Name())], b, []byte(z.String()), hex.EncodeToString(sum[:6])}
	}
	return out, nil
}

// assetPath is the address of a file, which changes with what is in it.
func (s *Server) assetPath(name string) string { return "/static/" + name + "?v=" + s.assets[name].sum }

func (s *Server) static(w http.ResponseWriter, r *http.Request) {
	a, ok := s.assets[r.PathValue("file")]
	if !ok {
		s.problem(w, r, http.StatusNotFound, "There is no such file.")
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.kind)
	h.Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == a.sum {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	h.Set("Vary", "Accept-Encoding")
	tag := `"` + a.sum + `"`
	h.Set("ETag", tag)
	if r.Header.Get("If-None-Match") == tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	if takesGzip(r) {
		h.Set("Content-Encoding", "gzip")
		_, _ = w.Write(a.zipped)
		return
	}
	_, _ = w.Write(a.plain)
}

func takesGzip(r *http.Request) bool {
	for _, e := range strings.Split(r.Header.Get("Accept-Encoding"), ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(e), ";")
		if name == "gzip" && strings.TrimSpace(q) != "q=0" {
			return true
		}
	}
	return false
}

// compressible leaves out streams, which must not wait in a buffer and are compressed
// piece by piece, and files that are kept compressed.
func compressible(r *http.Request) bool {
	return takesGzip(r) && r.URL.Path != "/live" && r.URL.Path != "/api/stream" && !strings.HasPrefix(r.URL.Path, "/static/")
}

// zipped compresses an answer with more than a packet's worth of text.
type zipped struct {
	http.ResponseWriter
	code int
	held []byte
	gz   *gzip.Writer
}

var zippers = sync.Pool{New: func() any {
	g, _ := gzip.NewWriterLevel(nil, gzip.BestSpeed)
	return g
}}

func (z *zipped) WriteHeader(code int) {
	if z.code == 0 {
		z.code = code
	}
}

func (z *zipped) Write(b []byte) (int, error) {
	if z.gz != nil {
		return z.gz.Write(b)
	}
	z.held = append(z.held, b...)
	if len(z.held) < 1400 {
		return len(b), nil
	}
	z.Header().Set("Content-Encoding", "gzip")
	z.Header().Add("Vary", "Accept-Encoding")
	z.start()
	z.gz = zippers.Get().(*gzip.Writer)
	z.gz.Reset(z.ResponseWriter)
	_, err := z.gz.Write(z.held)
	z.held = nil
	return len(b), err
}

func (z *zipped) start() {
	if z.code != 0 {
		z.ResponseWriter.WriteHeader(z.code)
	}
}

func (z *zipped) finish() {
	if z.gz != nil {
		_ = z.gz.Close()
		z.gz.Reset(nil)
		zippers.Put(z.gz)
		return
	}
	z.start()
	if len(z.held) > 0 {
		_, _ = z.ResponseWriter.Write(z.held)
	}
}
