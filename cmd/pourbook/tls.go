package main

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
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/natefinch/atomic"
)

// ownCertificate loads what the owner brought. Every way in which it cannot serve has its sentence.
func ownCertificate(certFile, keyFile string) (tls.Certificate, error) {
	if certFile == "" || keyFile == "" {
		return tls.Certificate{}, usageError{errors.New("pourbook serve: a certificate and its key go together. Give both -cert and -key")}
	}
	cert, err := os.ReadFile(certFile)
	if err != nil {
		return tls.Certificate{}, fmt.Errorf("the certificate cannot be read: %w", err)
	}
	key, err := os.ReadFile(keyFile)
	if err != nil {
		return tls.Certificate{}, fmt.Errorf("the key of the certificate cannot be read: %w", err)
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		if strings.Contains(err.Error(), "does not match") {
			return tls.Certificate{}, fmt.Errorf("the certificate %s does not fit the key %s. Give the two that were made together (%w)", certFile, keyFile, err)
		}
		return tls.Certificate{}, fmt.Errorf("%s and %s are no certificate and key in PEM. Give the files that the authority sent (%w)", certFile, keyFile, err)
	}
	return pair, nil
}

// How long what Pourbook makes is good. Browsers take no certificate of a server that is good for more than 398 days
// (CA/Browser Forum, Baseline Requirements 6.3.2, as it was in 2020); it is made anew in good time. The authority stays,
// so that a tablet that knows it has no more to do.
const (
	authorityYears = 10
	serverDays     = 397
	renewBefore    = 30 * 24 * time.Hour
)

// shopCertificate is a certificate that Pourbook makes for the shop's network, signed by an authority of the shop's own,
// both kept in a folder beside the book. The authority can sign for nothing but private addresses and the shop's names,
// so that whoever steals it cannot pass as a bank.
type shopCertificate struct {
	folder string
	names  []string
	ips    []net.IP
	now    func() time.Time

	mu        sync.Mutex
	authority *x509.Certificate
	key       *ecdsa.PrivateKey
	pair      *tls.Certificate
}

// openShopCertificate loads what is kept, and makes what is missing, has run out, or no longer fits the names.
func openShopCertificate(folder string, names []string, ips []net.IP, now func() time.Time) (*shopCertificate, error) {
	c := &shopCertificate{folder: folder, names: names, ips: ips, now: now}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("make the folder of the certificate: %w", err)
	}
	if err := c.loadAuthority(); err != nil {
		return nil, err
	}
	if err := c.loadServer(); err != nil {
		return nil, err
	}
	return c, nil
}

const (
	authorityFile    = "authority.crt"
	authorityKeyFile = "authority.key"
	serverFile       = "server.crt"
	serverKeyFile    = "server.key"
)

func (c *shopCertificate) loadAuthority() error {
	pair, err := tls.LoadX509KeyPair(filepath.Join(c.folder, authorityFile), filepath.Join(c.folder, authorityKeyFile))
	if err == nil {
		key, ok := pair.PrivateKey.(*ecdsa.PrivateKey)
		if ok && pair.Leaf.IsCA && pair.Leaf.NotAfter.Sub(c.now()) > serverDays*24*time.Hour && c.covers(pair.Leaf.PermittedDNSDomains) {
			c.authority, c.key = pair.Leaf, key
			return nil
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("the shop's own certificate in %s cannot be used. Move that folder away and start again; tablets then need the new certificate (%w)", c.folder, err)
	}
	template := &x509.Certificate{
		Subject:   pkix.Name{CommonName: "Pourbook shop authority"},
		NotBefore: c.now().Add(-24 * time.Hour), NotAfter: c.now().AddDate(authorityYears, 0, 0),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: c.names, PermittedIPRanges: privateRanges(),
	}
	cert, key, err := c.sign(template, authorityFile, authorityKeyFile)
	c.authority, c.key = cert, key
	return err
}

// covers reports whether the authority may sign for every name.
func (c *shopCertificate) covers(permitted []string) bool {
	for _, name := range c.names {
		if !slices.Contains(permitted, name) {
			return false
		}
	}
	return true
}

func privateRanges() []*net.IPNet {
	var all []*net.IPNet
	for _, r := range []string{"127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "100.64.0.0/10", "::1/128", "fc00::/7", "fe80::/10"} {
		_, network, err := net.ParseCIDR(r)
		if err != nil {
			panic(err) // the list is constant
		}
		all = append(all, network)
	}
	return all
}

func (c *shopCertificate) loadServer() error {
	pair, err := tls.LoadX509KeyPair(filepath.Join(c.folder, serverFile), filepath.Join(c.folder, serverKeyFile))
	if err == nil && c.fits(pair.Leaf) {
		c.pair = &pair
		return nil
	}
	return c.renew()
}

// fits reports whether a kept certificate still serves: long enough, signed by this authority, for all names.
func (c *shopCertificate) fits(leaf *x509.Certificate) bool {
	if leaf.NotAfter.Sub(c.now()) < renewBefore || leaf.CheckSignatureFrom(c.authority) != nil {
		return false
	}
	for _, name := range c.names {
		if leaf.VerifyHostname(name) != nil {
			return false
		}
	}
	for _, ip := range c.ips {
		if leaf.VerifyHostname(ip.String()) != nil {
			return false
		}
	}
	return true
}

func (c *shopCertificate) renew() error {
	template := &x509.Certificate{
		Subject:   pkix.Name{CommonName: "Pourbook"},
		NotBefore: c.now().Add(-24 * time.Hour), NotAfter: c.now().AddDate(0, 0, serverDays-1),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		DNSNames: c.names, IPAddresses: c.ips,
	}
	leaf, key, err := c.sign(template, serverFile, serverKeyFile)
	if err != nil {
		return err
	}
	c.pair = &tls.Certificate{Certificate: [][]byte{leaf.Raw}, PrivateKey: key, Leaf: leaf}
	return nil
}

// sign makes a key and a certificate for it and keeps both, the key first and for its owner's eyes only.
func (c *shopCertificate) sign(template *x509.Certificate, certFile, keyFile string) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	if template.SerialNumber, err = rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127)); err != nil {
		return nil, nil, err
	}
	parent, signer := c.authority, c.key
	if template.IsCA {
		parent, signer = template, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, signer)
	if err != nil {
		return nil, nil, fmt.Errorf("make the shop's certificate: %w", err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, nil, err
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, nil, err
	}
	keyPath := filepath.Join(c.folder, keyFile)
	if err := os.WriteFile(keyPath, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600); err != nil {
		return nil, nil, fmt.Errorf("keep the key of the certificate: %w", err)
	}
	if err := atomic.WriteFile(filepath.Join(c.folder, certFile), bytes.NewReader(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))); err != nil {
		return nil, nil, fmt.Errorf("keep the certificate: %w", err)
	}
	return cert, key, nil
}

// get answers a handshake, with a new certificate once the old one is about to run out.
func (c *shopCertificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.pair.Leaf.NotAfter.Sub(c.now()) < renewBefore {
		if err := c.renew(); err != nil && c.now().After(c.pair.Leaf.NotAfter) {
			return nil, err
		}
	}
	return c.pair, nil
}

// authorityPEM returns what a tablet installs.
func (c *shopCertificate) authorityPEM() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.authority.Raw})
}

// fingerprint returns the SHA-256 of the authority in pairs of letters, as browsers show it.
func (c *shopCertificate) fingerprint() string {
	sum := sha256.Sum256(c.authority.Raw)
	return strings.ToUpper(strings.ReplaceAll(fmt.Sprintf("% x", sum[:]), " ", ":"))
}
