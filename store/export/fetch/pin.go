package fetch

import (
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"encoding/hex"
	"fmt"
	"net/http"
	"strings"

	"chaffinch/internal/problem"
)

// Pinned is a client that takes one certificate, that with this SHA-256 as the
// program's log shows it, and no other. Empty: those that the system trusts.
func Pinned(fingerprint string) (*http.Client, error) {
	if fingerprint == "" {
		return &http.Client{}, nil
	}
	want, err := hex.DecodeString(strings.NewReplacer(":", "", " ", "").Replace(fingerprint))
	if err != nil || len(want) != sha256.Size {
		return nil, &problem.Problem{What: fmt.Sprintf("%q is no SHA-256 of a certificate", fingerprint), Try: "copy certificate_sha256 from the program's log"}
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = &tls.Config{
		MinVersion: tls.VersionTLS12,
		// The chain is not asked: the certificate itself is known.
		InsecureSkipVerify: true,
		VerifyConnection: func(c tls.ConnectionState) error {
			got := sha256.Sum256(c.PeerCertificates[0].Raw)
			if subtle.ConstantTimeCompare(got[:], want) != 1 {
				return &problem.Problem{What: "the machine has another certificate, " + hex.EncodeToString(got[:]), Try: "do not go on unless you know why"}
			}
			return nil
		},
	}
	return &http.Client{Transport: transport}, nil
}
