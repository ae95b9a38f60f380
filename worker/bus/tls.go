package bus

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"swathkeeper/worker/limited"
)

// CertFile and KeyFile are where a generated certificate lies in the data folder.
const (
	CertFile = "tls-cert.pem"
	KeyFile  = "tls-key.pem"
)

// certLife is long, since what a station trusts is the one certificate whose fingerprint it was
// given, and not a chain that could be renewed behind it.
const certLife = 10 * 365 * 24 * time.Hour

// Fingerprint is the SHA-256 of a certificate, as usual in pairs of hex digits with colons.
func Fingerprint(cert []byte) string {
	sum := sha256.Sum256(cert)
	var b strings.Builder
	for i, c := range sum {
		if i > 0 {
			b.WriteByte(':')
		}
		fmt.Fprintf(&b, "%02X", c)
	}
	return b.String()
}

// parseFingerprint takes a SHA-256 with or without colons, in either case.
func parseFingerprint(s string) (sum [sha256.Size]byte, err error) {
	raw, err := hex.DecodeString(strings.NewReplacer(":", "", " ", "").Replace(strings.TrimSpace(s)))
	if err != nil || len(raw) != sha256.Size {
		return sum, fmt.Errorf("fingerprint %q: give the 64 hex digits that the worker shows, with or without colons", s)
	}
	copy(sum[:], raw)
	return sum, nil
}

// pinned trusts exactly the certificate of a fingerprint, whatever names it carries: a shop's
// machine changes its address more often than its certificate.
func pinned(fingerprint string) (*tls.Config, error) {
	if _, err := parseFingerprint(fingerprint); err != nil {
		return nil, err
	}
	return pinnedTo(func() (string, error) { return fingerprint, nil }), nil
}

// pinnedTo is pinned to what a function gives at each connection.
func pinnedTo(fingerprint func() (string, error)) *tls.Config {
	return &tls.Config{
		MinVersion:         tls.VersionTLS12,
		InsecureSkipVerify: true, // replaced by the check below
		VerifyConnection: func(s tls.ConnectionState) error {
			text, err := fingerprint()
			if err != nil {
				return err
			}
			want, err := parseFingerprint(text)
			if err != nil {
				return err
			}
			if len(s.PeerCertificates) == 0 {
				return errors.New("the bus shows no certificate")
			}
			if got := s.PeerCertificates[0].Raw; sha256.Sum256(got) != want {
				return fmt.Errorf("the bus shows another certificate than the one expected: its fingerprint is %s; if the certificate was renewed, take the new fingerprint from the worker itself", Fingerprint(got))
			}
			return nil
		},
	}
}

// ServerCert loads the certificate that the embedded bus shows: the shop's own when its files are
// named, else one in the data folder, which is generated at the first call.
func ServerCert(dir, cert, key, host string) (tls.Certificate, error) {
	if (cert == "") != (key == "") {
		return tls.Certificate{}, errors.New("certificate: give both the certificate and its key")
	}
	if cert == "" {
		cert, key = filepath.Join(dir, CertFile), filepath.Join(dir, KeyFile)
		if _, err := os.Stat(cert); errors.Is(err, fs.ErrNotExist) {
			if err := generateCert(cert, key, host); err != nil {
				return tls.Certificate{}, fmt.Errorf("certificate: %w", err)
			}
		}
	}
	if err := errors.Join(limited.Check(cert, limited.Small), limited.Check(key, limited.Small)); err != nil {
		return tls.Certificate{}, fmt.Errorf("certificate: %w", err)
	}
	c, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		return c, fmt.Errorf("certificate %s: %w; bring it and its key back from a copy, or remove both, and give the fingerprint of the new one to every station", cert, err)
	}
	if now := time.Now(); now.After(c.Leaf.NotAfter) {
		return c, fmt.Errorf("certificate %s ran out on %s: renew it", cert, c.Leaf.NotAfter.Format(time.DateOnly))
	}
	return c, nil
}

// CertGone says whether a data folder holds the key of a certificate and not the certificate: what is
// made in its place has another fingerprint, and no station trusts it.
func CertGone(dir string) bool {
	_, cert := os.Stat(filepath.Join(dir, CertFile))
	_, key := os.Stat(filepath.Join(dir, KeyFile))
	return errors.Is(cert, fs.ErrNotExist) && key == nil
}

// CheckCert says what is wrong with the certificate in a data folder; one that is not there is right.
func CheckCert(dir string) error {
	cert := filepath.Join(dir, CertFile)
	if _, err := os.Stat(cert); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if _, err := tls.LoadX509KeyPair(cert, filepath.Join(dir, KeyFile)); err != nil {
		return fmt.Errorf("certificate %s: %w", cert, err)
	}
	return nil
}

// generateCert makes a certificate that signs itself, for every name and address by which this
// machine may be called now.
func generateCert(certPath, keyPath, host string) error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return err
	}
	now := time.Now()
	t := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "swathkeeper"},
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(certLife),
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true, IsCA: true,
		DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
	}
	if name, err := os.Hostname(); err == nil && name != "localhost" {
		t.DNSNames = append(t.DNSNames, name)
	}
	if ip := net.ParseIP(host); ip != nil && !ip.IsUnspecified() {
		t.IPAddresses = append(t.IPAddresses, ip)
	}
	if addrs, err := net.InterfaceAddrs(); err == nil {
		for _, a := range addrs {
			if n, ok := a.(*net.IPNet); ok && !n.IP.IsLoopback() {
				t.IPAddresses = append(t.IPAddresses, n.IP)
			}
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
	if err != nil {
		return err
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	// The key first: a certificate that is there has its key.
	if err := writeAside(keyPath, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})); err != nil {
		return err
	}
	return writeAside(certPath, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
}

// ReadCert reads the first certificate of a PEM file.
func ReadCert(path string) (*x509.Certificate, error) {
	b, err := limited.Read(path, limited.Small)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(b)
	if block == nil || block.Type != "CERTIFICATE" {
		return nil, fmt.Errorf("%s holds no certificate", path)
	}
	return x509.ParseCertificate(block.Bytes)
}
