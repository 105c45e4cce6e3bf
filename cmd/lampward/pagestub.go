package main

import (
	"context"
	"net"
	"net/http"
)

// pageServer serves the page.
type pageServer struct {
	ln  net.Listener
	srv *http.Server
}

func (d *daemon) newPage() (*pageServer, error) {
	p := &pageServer{}
	if d.cfg.Page.Listen == "" {
		return p, nil
	}
	var err error
	if p.ln, err = net.Listen("tcp", d.cfg.Page.Listen); err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, r *http.Request) { _, _ = w.Write([]byte("ok\n")) })
	p.srv = &http.Server{Handler: mux}
	return p, nil
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
	stop := context.AfterFunc(ctx, func() { _ = p.srv.Shutdown(context.WithoutCancel(ctx)) })
	defer stop()
	if err := p.srv.Serve(p.ln); err != http.ErrServerClosed {
		return err
	}
	return nil
}
