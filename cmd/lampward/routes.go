package main

import (
	"crypto/tls"
	"fmt"
	"os"
	"slices"
	"time"

	"lampward/cmd/lampward/config"
	"lampward/notify"
	"lampward/rules"
)

// policy says which events a route takes.
type policy struct {
	name string
	config.Route
}

// target is a route that an event is to be sent to, and how long it is held.
type target struct {
	route string
	delay time.Duration
}

func plan(e rules.Event, routes []policy) []target {
	if !e.Kind.Alerts() {
		return nil
	}
	var out []target
	for _, r := range routes {
		if len(r.Kinds) == 0 || slices.Contains(r.Kinds, string(e.Kind)) {
			out = append(out, target{route: r.name})
		}
	}
	return out
}

// newRoutes makes the routes of a configuration.
func newRoutes(cfg *config.Config, o serveOptions) ([]notify.Route, []policy, error) {
	var routes []notify.Route
	var policies []policy
	for _, w := range cfg.Webhooks {
		where := func(err error) error {
			return fmt.Errorf("%s: webhook %q: %w", cfg.File, w.Name, err)
		}
		var secret notify.Secret
		if w.Secret != "" || w.SecretFile != "" || w.SecretEnv != "" {
			var err error
			if secret, err = notify.LoadSecret(w.Secret, w.SecretFile, w.SecretEnv); err != nil {
				return nil, nil, where(err)
			}
		}
		r, err := notify.NewWebhook(notify.WebhookOptions{
			Name: w.Name, URL: w.URL, Method: w.Method, Headers: w.Headers, Body: w.Body,
			ContentType: w.ContentType, Form: w.Form, Secret: secret, Timeout: w.Timeout, Wall: o.wall,
			TLS: notify.TLSOptions{CAFile: w.CAFile, CertFile: w.CertFile, KeyFile: w.KeyFile},
		})
		if err != nil {
			return nil, nil, where(err)
		}
		routes = append(routes, r)
		policies = append(policies, policy{w.Name, w.Route})
	}
	return routes, policies, nil
}

// serverTLS reads a certificate for a listener.
func serverTLS(cert, key string) (*tls.Config, error) {
	for _, f := range []string{cert, key} {
		if _, err := os.Stat(f); err != nil {
			return nil, err
		}
	}
	c, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		return nil, err
	}
	return &tls.Config{Certificates: []tls.Certificate{c}, MinVersion: tls.VersionTLS12}, nil
}
