package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"lampward/cmd/lampward/config"
)

var healthcheckCommand = command{
	name: "healthcheck", brief: "ask the running daemon whether it is well", usage: "[-config FILE]",
	about: `
Healthcheck asks the daemon of this machine, through its page, whether its loop
answers and readings can be stored. It exits with 0 if so, else with 1. It is
meant for what watches over containers and services.

examples:
  lampward healthcheck
  lampward healthcheck -config /etc/lampward/lampward.toml`,
}

func init() {
	healthcheckCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		file := f.String("config", "", configUsage)
		if code, ok := healthcheckCommand.parse(c, f, args, 0); !ok {
			return code
		}
		cfg, code := reachConfig(c, *file)
		if cfg == nil {
			return code
		}
		if err := checkHealth(ctx, cfg.Page); err != nil {
			fmt.Fprintln(c.err, "lampward healthcheck:", printable(err.Error()))
			return exitFailed
		}
		fmt.Fprintln(c.out, "ok")
		return exitOK
	}
}

// healthTimeout is how long the daemon may take to answer; more than one
// stuck write of a worn card, less than what watches gives the command.
const healthTimeout = 8 * time.Second

func checkHealth(ctx context.Context, p config.Page) error {
	if p.Listen == "" {
		return errors.New(`[page] listen is empty, so that nothing answers; give the page an address, such as "127.0.0.1:8080"`)
	}
	host, port, err := net.SplitHostPort(p.Listen)
	if err != nil {
		return err
	}
	// "Every address" is none to connect to.
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
		if ip != nil && ip.To4() == nil {
			host = "::1"
		}
	}
	t := &http.Transport{}
	scheme := "http"
	if p.CertFile != "" {
		scheme = "https"
		pair, err := tls.LoadX509KeyPair(p.CertFile, p.KeyFile)
		if err != nil {
			return fmt.Errorf("page.cert_file: %w", err)
		}
		// The certificate names the page as browsers know it, not as
		// localhost, so it is compared with the one that was configured.
		t.TLSClientConfig = &tls.Config{InsecureSkipVerify: true, VerifyConnection: func(s tls.ConnectionState) error {
			if len(s.PeerCertificates) == 0 || !bytes.Equal(s.PeerCertificates[0].Raw, pair.Certificate[0]) {
				return errors.New("another certificate than page.cert_file was shown; if it was renewed, the log of lampward says why it goes on with the one of before")
			}
			return nil
		}}
	}
	ctx, cancel := context.WithTimeout(ctx, healthTimeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, scheme+"://"+net.JoinHostPort(host, port)+"/healthz", nil)
	if err != nil {
		return err
	}
	resp, err := (&http.Client{Transport: t}).Do(req)
	if err != nil {
		return fmt.Errorf("no answer: %w; is lampward running?", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		said, _ := io.ReadAll(io.LimitReader(resp.Body, 200))
		return fmt.Errorf("%s: %s", resp.Status, bytes.TrimSpace(said))
	}
	return nil
}
