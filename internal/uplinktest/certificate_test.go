package uplinktest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"testing"
	"time"
)

// certificates makes an authority and one certificate for all names of the
// office: ca.pem, office.pem and office-key.pem.
func certificates(t *testing.T, folder string) {
	t.Helper()
	key := func() *ecdsa.PrivateKey {
		k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	now := time.Now()
	authority := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "office"}, NotBefore: now.Add(-time.Hour), NotAfter: now.Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	own := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: office}, NotBefore: authority.NotBefore, NotAfter: authority.NotAfter,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}, DNSNames: []string{office, "localhost"}}
	for _, n := range nodes {
		own.DNSNames = append(own.DNSNames, n.name)
	}
	theirs, ours := key(), key()
	save := func(name, kind string, der []byte, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		write(t, folder, name, string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})))
	}
	der, err := x509.CreateCertificate(rand.Reader, authority, authority, &theirs.PublicKey, theirs)
	save("ca.pem", "CERTIFICATE", der, err)
	der, err = x509.CreateCertificate(rand.Reader, own, authority, &ours.PublicKey, theirs)
	save("office.pem", "CERTIFICATE", der, err)
	der, err = x509.MarshalPKCS8PrivateKey(ours)
	save("office-key.pem", "PRIVATE KEY", der, err)
}
