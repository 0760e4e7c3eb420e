package mqtt

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// certificate makes a self-signed certificate for 127.0.0.1 and its key.
func certificate(t *testing.T, dir, name string) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	write := func(file, kind string, data []byte) string {
		path := filepath.Join(dir, file)
		if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: data}), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	return write(name+".crt", "CERTIFICATE", der), write(name+".key", "PRIVATE KEY", secret)
}

func TestTLSTrustsOnlyWhoIsVouchedFor(t *testing.T) {
	noLeaks(t)
	dir := t.TempDir()
	cert, key := certificate(t, dir, "broker")
	other, _ := certificate(t, dir, "other")
	m := newMosquitto(t, "certfile "+cert, "keyfile "+key)
	m.start()
	for name, test := range map[string]struct {
		ca string
		ok bool
	}{"its own authority": {cert, true}, "another authority": {other, false}, "the system's": {"", false}, "no certificate": {key, false}} {
		t.Run(name, func(t *testing.T) {
			s, err := dial(t.Context(), slog.New(slog.DiscardHandler), Server{Broker: "mqtts://" + m.address, CAFile: test.ca}, topics)
			if (err == nil) != test.ok {
				t.Errorf("connect: %v, want success %v", err, test.ok)
			}
			if err == nil {
				s.close()
			}
		})
	}
}

func TestThePasswordComesFromItsFile(t *testing.T) {
	noLeaks(t)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	heard := make(chan []byte, 1)
	go func() {
		c, err := ln.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		buf := make([]byte, 1024)
		n, _ := c.Read(buf)
		heard <- buf[:n]
		c.Write(packet(0x20, []byte{0, 5})) // not authorised
	}()
	file := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(file, []byte("canary\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	server := Server{Broker: "mqtt://" + ln.Addr().String(), Username: "me", PasswordFile: file, ClientID: "mine"}
	if _, err := dial(t.Context(), slog.New(slog.DiscardHandler), server, topics); err == nil || strings.Contains(err.Error(), "canary") {
		t.Errorf("refused, but: %v", err)
	}
	// MQTT 3.1.1, 3.1: clean session; will, QoS 1, retained; name and password.
	want := slices.Concat(text("MQTT"), []byte{4, clean | 0x04 | 0x08 | 0x20 | 0xC0, 0, 30},
		text("mine"), text(topics.Availability()), text("offline"), text("me"), text("canary"))
	if got := <-heard; !bytes.Equal(got[2:], want) {
		t.Errorf("CONNECT %q, want %q", got[2:], want)
	}
	server.PasswordFile = file + ".gone"
	if _, err := dial(t.Context(), slog.New(slog.DiscardHandler), server, topics); err == nil {
		t.Error("connected without the password")
	}
}
