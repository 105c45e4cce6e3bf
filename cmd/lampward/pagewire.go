package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	_ "time/tzdata" // the page speaks in the reader's zone, on machines without a zone database too

	"lampward/broker"
	"lampward/cmd/lampward/page"
	"lampward/rules"
	"lampward/store"
)

// pageServer serves the page.
type pageServer struct {
	ln   net.Listener
	srv  *http.Server
	page *page.Server
}

// tokenFile holds what commands on this machine show the page instead of
// logging in; who may read the store may use it.
const tokenFile = "page-token"

// sessionsFile holds who is logged in on the page, for the next start.
const sessionsFile = "page-sessions"

// newPage makes the page and has the loop tell it what happens. It must be
// called before the loop runs.
func (d *daemon) newPage(b broker.Broker) (_ *pageServer, err error) {
	p := &pageServer{}
	if d.cfg.Page.Listen == "" {
		return p, nil
	}
	src := &pageSource{d: d}
	token := rand.Text() + rand.Text()
	o := page.Options{
		Source: src, Log: d.log, People: map[string]string{}, Verify: broker.VerifyPassword,
		Token: token, Hosts: d.cfg.Page.Hosts, Origin: d.cfg.Page.URL, Secure: d.cfg.Page.CertFile != "",
		TrustedProxies: d.cfg.Page.TrustedProxies,
		Metrics:        newMeters(d, src, b),
	}
	for _, x := range d.cfg.People {
		o.People[x.Name] = x.PasswordHash
	}
	if len(o.People) > 0 {
		file := filepath.Join(d.cfg.Store.Dir, sessionsFile)
		if o.Kept, err = os.ReadFile(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
			d.log.Warn("the logins to the page of before cannot be read; everybody has to log in again", "error", err)
		}
		// Not synced: on a disk that hangs nobody could look at the page.
		o.Keep = func(sessions []byte) error { return store.WriteFile(file, bytes.NewReader(sessions), false) }
	}
	if p.page, err = page.New(o); err != nil {
		return nil, err
	}
	if p.ln, err = net.Listen("tcp", d.cfg.Page.Listen); err != nil {
		return nil, fmt.Errorf("page.listen: %w; write another address in the [page] table, or stop the program that uses this one", err)
	}
	p.ln = limitConns(p.ln, pageConns, pageConnsEach, d.cfg.Page.TrustedProxies)
	if o.Secure {
		c, err := listenerTLS(d.cfg.Page.CertFile, d.cfg.Page.KeyFile, d.log)
		if err != nil {
			_ = p.ln.Close()
			return nil, fmt.Errorf("page.cert_file: %w", err)
		}
		p.ln = tls.NewListener(p.ln, c)
	} else if len(o.People) > 0 {
		if a, ok := p.ln.Addr().(*net.TCPAddr); ok && !a.IP.IsLoopback() {
			d.log.Warn("passwords for the page cross the network unencrypted; set cert_file and key_file in [page], or put the page behind a proxy that speaks TLS")
		}
	}
	if err := store.WriteFile(filepath.Join(d.cfg.Store.Dir, tokenFile), strings.NewReader(token+"\n"), false); err != nil {
		d.log.Warn("commands on this machine will have to log in to the page", "error", err)
	}
	p.srv = newPageHTTP(p.page.Handler())
	before := d.tap
	d.tap = func(in rules.Input, events []rules.Event) {
		if before != nil {
			before(in, events)
		}
		p.page.Changed(in.Lamp, in.Device, len(events) > 0)
		for i := range events {
			if events[i].Key() == "" { // of all boards, or of several that it does not name
				for _, b := range d.machine.Devices(d.clock.Now()) {
					p.page.Changed("", b.Name, true)
				}
			}
			if e := &events[i]; e.Lamp != in.Lamp || e.Device != in.Device {
				p.page.Changed(e.Lamp, e.Device, true)
			}
		}
	}
	return p, nil
}

// newPageHTTP returns the page's HTTP server.
func newPageHTTP(h http.Handler) *http.Server {
	return &http.Server{
		Handler: h, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second,
		// A stream, which has no end, sets a new limit with each thing that it sends.
		WriteTimeout: 3 * time.Minute,
		IdleTimeout:  2 * time.Minute, MaxHeaderBytes: 32 << 10,
	}
}

func (p *pageServer) addr() net.Addr {
	if p.ln == nil {
		return nil
	}
	return p.ln.Addr()
}

func (p *pageServer) close() {
	if p.ln != nil {
		_ = p.ln.Close()
	}
}

func (p *pageServer) run(ctx context.Context) error {
	if p.srv == nil {
		<-ctx.Done()
		return nil
	}
	stopped := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(stopped)
		p.page.Close()
		// Who is slow to take an answer does not hold up the daemon.
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
		defer cancel()
		if p.srv.Shutdown(end) != nil {
			_ = p.srv.Close()
		}
	})
	err := p.srv.Serve(p.ln)
	if !stop() {
		<-stopped
	}
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// key is an event's or delivery's subject as the store names it.
func key(lamp, board string) string {
	switch {
	case lamp != "":
		return "lamp/" + lamp
	case board != "":
		return "device/" + board
	}
	return ""
}

// subject is the reverse.
func subject(key string) (lamp, board string) {
	if name, ok := strings.CutPrefix(key, "lamp/"); ok {
		return name, ""
	}
	name, _ := strings.CutPrefix(key, "device/")
	return "", name
}
