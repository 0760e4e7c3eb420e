package phone

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"strings"
	"time"

	"chaffinch/internal/problem"
)

// tlsConfig is how the page is encrypted, or nil for not at all.
func (s *Server) tlsConfig() (*tls.Config, error) {
	var cert tls.Certificate
	var err error
	switch settings := s.opts.Settings; {
	case settings.CertFile != "":
		cert, err = tls.LoadX509KeyPair(settings.CertFile, settings.KeyFile)
		if err != nil {
			return nil, &problem.Problem{Key: "phone.cert_file", What: "the certificate cannot be used", Err: err,
				Try: "give PEM files that belong together and that the user chaffinch may read"}
		}
	case settings.TLS == TLSGenerated:
		cert, err = s.generated()
	default:
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(cert.Certificate[0])
	s.log.Info("the page is encrypted", "certificate_sha256", fingerprint(sum[:]))
	return &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"}}, nil
}

// generated is the certificate that an earlier run made, or a new one.
func (s *Server) generated() (tls.Certificate, error) {
	kept, err := s.opts.Keep.load(KeptCertificate)
	if err == nil && kept != nil {
		var cert tls.Certificate
		if cert, err = tls.X509KeyPair(kept, kept); err == nil {
			return cert, nil
		}
	}
	if err != nil {
		s.log.Warn("the certificate of earlier runs cannot be used: a new one is made", "error", err)
	}
	text, err := generate(s.named)
	if err != nil {
		return tls.Certificate{}, err
	}
	if err := s.opts.Keep.save(KeptCertificate, text); err != nil {
		s.log.Error("the certificate is not kept: the next start makes another one", "error", err)
	}
	return tls.X509KeyPair(text, text)
}

// generate makes a certificate that vouches for itself, and its key, as PEM. Its
// dates are wide and fixed: the clock of the computer may not be set.
func generate(names []string) ([]byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("phone: certificate: %w", err)
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return nil, fmt.Errorf("phone: certificate: %w", err)
	}
	template := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "chaffinch"},
		NotBefore: time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), NotAfter: time.Date(2049, 12, 31, 0, 0, 0, 0, time.UTC),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}
	for _, name := range names {
		if ip := net.ParseIP(name); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, name)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		return nil, fmt.Errorf("phone: certificate: %w", err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, fmt.Errorf("phone: certificate: %w", err)
	}
	var out bytes.Buffer
	err = errors.Join(pem.Encode(&out, &pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.Encode(&out, &pem.Block{Type: "PRIVATE KEY", Bytes: secret}))
	return out.Bytes(), err
}

// fingerprint is how browsers show the hash of a certificate.
func fingerprint(sum []byte) string {
	parts := make([]string, len(sum))
	for i, b := range sum {
		parts[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(parts, ":")
}

// names are those by which phones may call this computer, beside its addresses.
func (s *Server) names() []string {
	all := []string{"localhost"}
	if name, err := os.Hostname(); err == nil && name != "" {
		short, _, _ := strings.Cut(name, ".")
		all = append(all, strings.ToLower(name), strings.ToLower(short), strings.ToLower(short)+".local")
	}
	for _, h := range s.opts.Settings.Hosts {
		all = append(all, strings.ToLower(h))
	}
	return all
}

// ownAddress is an address at which phones reach this computer: an IPv4 address
// of a network, else its name.
func ownAddress() string {
	all, err := net.InterfaceAddrs()
	if err == nil {
		for _, a := range all {
			if p, ok := a.(*net.IPNet); ok && p.IP.To4() != nil && p.IP.IsGlobalUnicast() {
				return p.IP.String()
			}
		}
	}
	if name, err := os.Hostname(); err == nil && name != "" {
		return name
	}
	return "localhost"
}
