package main

import (
	"crypto/tls"
	"log/slog"
	"os"
	"sync"
	"time"
)

// servedCert is the certificate of a listener. It is read again once its files have
// changed: most authorities renew theirs every few weeks, and with an old one, which
// runs out at some time, no board connects any more. It is safe for use by several
// goroutines.
type servedCert struct {
	cert, key string
	log       *slog.Logger

	mu   sync.Mutex
	pair *tls.Certificate
	of   [2]time.Time // when the files that were read last, in vain or not, were changed
}

// listenerTLS reads a certificate for a listener; what is wrong with a later one is
// logged, and the one before served on.
func listenerTLS(cert, key string, log *slog.Logger) (*tls.Config, error) {
	s := &servedCert{cert: cert, key: key, log: log}
	s.of = s.changed() // before they are read: what changes meanwhile is read again
	t, err := serverTLS(cert, key)
	if err != nil {
		return nil, err
	}
	s.pair = &t.Certificates[0]
	t.Certificates = nil
	t.GetCertificate = s.get
	return t, nil
}

// changed tells when the files were changed; the zero time of one that is not there.
func (s *servedCert) changed() (at [2]time.Time) {
	for i, name := range []string{s.cert, s.key} {
		if f, err := os.Stat(name); err == nil {
			at[i] = f.ModTime()
		}
	}
	return at
}

// get implements tls.Config.GetCertificate.
func (s *servedCert) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	at := s.changed()
	if at == s.of {
		return s.pair, nil
	}
	s.of = at
	t, err := serverTLS(s.cert, s.key)
	if err != nil { // perhaps the key is not there yet, and the next look finds it
		s.log.Warn("the certificate's files were changed and cannot be used; the one of before is served on", "cert_file", s.cert, "error", err)
		return s.pair, nil
	}
	s.pair = &t.Certificates[0]
	s.log.Info("a changed certificate was read, and is served from now on", "cert_file", s.cert)
	return s.pair, nil
}
