package app

import (
	"context"
	"crypto/tls"
	"net"

	"example.org/meltstation/dashboard"
)

// serve serves the page until ctx ends.
func serve(ctx context.Context, s *dashboard.Server, l net.Listener, secure *tls.Config) error {
	if secure != nil {
		l = tls.NewListener(l, secure)
	}
	return s.Run(ctx, l)
}
