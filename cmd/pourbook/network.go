package main

import (
	"context"
	"crypto/tls"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"pourbook/internal/people"
	"pourbook/internal/store"
	"pourbook/web"
)

// network says who can reach a served book, and how. The zero value: this machine alone.
type network struct {
	Open      bool
	Cert, Key string
	Hosts     []string
	Folder    string // of the certificate that Pourbook makes
}

// networkFlags are those of serve.
func networkFlags(flags *flag.FlagSet) *network {
	n := &network{}
	flags.BoolVar(&n.Open, "open", false, "listen on every address of this machine, so that the shop's tablets reach it; takes an owner's PIN first")
	flags.StringVar(&n.Cert, "cert", "", "`file` of the owner's certificate, in PEM; without one Pourbook makes its own for the shop's network (restart after renewing it)")
	flags.StringVar(&n.Key, "key", "", "`file` of its key")
	flags.Func("host", "`name` under which tablets reach this machine, beside its addresses and its own name; may be given again", func(name string) error {
		name = strings.ToLower(strings.TrimSuffix(name, "."))
		if name == "" || strings.ContainsAny(name, "/: ") {
			return errors.New("a name such as pourbook.example")
		}
		n.Hosts = append(n.Hosts, name)
		return nil
	})
	return n
}

// everywhere replaces the host of an address by all addresses of the machine.
func everywhere(addr string) (string, error) {
	_, port, err := net.SplitHostPort(addr)
	if err != nil {
		return "", usageError{fmt.Errorf("pourbook serve: -addr takes an address with a port, as 127.0.0.1:8040: %w", err)}
	}
	return net.JoinHostPort("", port), nil
}

// onlyHere reports whether a listener can be reached from this machine alone.
func onlyHere(l net.Listener) bool {
	tcp, ok := l.Addr().(*net.TCPAddr)
	return ok && tcp.IP.IsLoopback()
}

// door is an open listener and how it is reached.
type door struct {
	net.Listener
	open        bool
	scheme      string
	hosts       []string
	addresses   []string
	authority   []byte
	fingerprint string
}

// openDoor listens. To listen for other machines the shop must be locked, and what goes over the network is encrypted.
func openDoor(ctx context.Context, s *store.Store, addr string, n network, log *slog.Logger) (*door, error) {
	var err error
	if n.Open {
		if addr, err = everywhere(addr); err != nil {
			return nil, err
		}
	}
	plain, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("listen on %s: %w", addr, err)
	}
	d := &door{open: !onlyHere(plain), scheme: "http", hosts: n.Hosts}
	if err := d.prepare(ctx, s, plain, n, log); err != nil {
		return nil, errors.Join(err, plain.Close())
	}
	return d, nil
}

func (d *door) prepare(ctx context.Context, s *store.Store, plain net.Listener, n network, log *slog.Logger) error {
	d.Listener = newCrowd(plain, log)
	names, ips := machine(n.Hosts)
	d.hosts = names
	if d.open {
		access, err := s.Access(ctx)
		if err != nil {
			return err
		}
		if !people.Locked(access.People) {
			return errors.New("the shop's network is let in only once an owner has a PIN, or everybody in reach could change the book. Lock the shop on the page Shop, or say: pourbook pin -name NAME")
		}
	}
	if !d.open && n.Cert == "" && n.Key == "" {
		return nil
	}
	config := &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}}
	d.scheme = "https"
	if n.Cert != "" || n.Key != "" {
		pair, err := ownCertificate(n.Cert, n.Key)
		if err != nil {
			return err
		}
		if pair.Leaf != nil && time.Now().After(pair.Leaf.NotAfter) {
			log.Warn("the certificate has run out: browsers will warn until it is renewed", "file", n.Cert, "until", pair.Leaf.NotAfter)
		}
		config.Certificates = []tls.Certificate{pair}
		if pair.Leaf != nil {
			for _, name := range pair.Leaf.DNSNames {
				if !strings.Contains(name, "*") {
					d.hosts = append(d.hosts, strings.ToLower(name))
				}
			}
		}
	} else {
		own, err := openShopCertificate(n.Folder, names, ips, time.Now)
		if err != nil {
			return err
		}
		config.GetCertificate = own.get
		d.authority, d.fingerprint = own.authorityPEM(), own.fingerprint()
	}
	d.Listener = tls.NewListener(d.Listener, config)
	if d.open {
		_, port, err := net.SplitHostPort(plain.Addr().String())
		if err != nil {
			return err
		}
		for _, host := range append(slices.Clone(n.Hosts), reachable(plain, ips)...) {
			d.addresses = append(d.addresses, "https://"+net.JoinHostPort(host, port))
		}
	}
	return nil
}

// here returns the address for a browser at this machine.
func (d *door) here() string {
	if tcp, ok := d.Addr().(*net.TCPAddr); ok && tcp.IP.IsUnspecified() {
		return fmt.Sprintf("localhost:%d", tcp.Port)
	}
	return d.Addr().String()
}

// machine returns the names and addresses by which this machine is called.
func machine(more []string) (names []string, ips []net.IP) {
	names = []string{"localhost"}
	if name, err := os.Hostname(); err == nil {
		name = strings.ToLower(name)
		names = append(names, name)
		if !strings.Contains(name, ".") {
			names = append(names, name+".local")
		}
	}
	names = append(names, more...)
	slices.Sort(names)
	names = slices.Compact(names)
	ips = []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback}
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		return names, ips
	}
	for _, a := range addrs {
		if n, ok := a.(*net.IPNet); ok && isShopAddress(n.IP) {
			ips = append(ips, n.IP)
		}
	}
	return names, ips
}

// isShopAddress reports whether an address is one that a shop's own network has, and that the certificate may name.
func isShopAddress(ip net.IP) bool {
	if ip.IsLoopback() || ip.IsLinkLocalUnicast() {
		return false
	}
	return slices.ContainsFunc(privateRanges(), func(r *net.IPNet) bool { return r.Contains(ip) })
}

// reachable lists the addresses that a tablet can use, IPv4 first since it is easier to type.
func reachable(l net.Listener, ips []net.IP) []string {
	if tcp, ok := l.Addr().(*net.TCPAddr); ok && !tcp.IP.IsUnspecified() {
		return []string{tcp.IP.String()}
	}
	var four, six []string
	for _, ip := range ips {
		switch {
		case ip.IsLoopback():
		case ip.To4() != nil:
			four = append(four, ip.String())
		default:
			six = append(six, ip.String())
		}
	}
	return append(four, six...)
}

// firstJoin prints a code for the first screen of a shop that no screen has joined yet: there is no other way to an
// owner's page on a machine without a screen of its own.
func (d *door) firstJoin(ctx context.Context, s *store.Store, out io.Writer) error {
	if !d.open || len(d.addresses) == 0 {
		return nil
	}
	access, err := s.Access(ctx)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(access.Devices, func(d store.Device) bool { return !d.Dismissed }) {
		return nil
	}
	code, hash := web.NewJoinCode()
	until := time.Now().Add(15 * time.Minute)
	if err := s.MakeJoinCode(ctx, hash, "the command line", until); err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "No screen has joined yet. The first one opens %s/join/%s until %s.\n", d.addresses[0], code, until.Format("15:04"))
	return err
}

// The most connections at a time. A tablet holds a handful; whoever opens many and says nothing takes up no more than
// this, and is let go by the server's timeouts.
const (
	mostConnections        = 512
	mostConnectionsAddress = 64
)

// crowd lets no more connections in than that. One too many is closed at once and, once a minute, logged.
type crowd struct {
	net.Listener
	log *slog.Logger

	mu   sync.Mutex
	all  int
	from map[string]int
	said time.Time
}

func newCrowd(l net.Listener, log *slog.Logger) *crowd {
	return &crowd{Listener: l, log: log, from: map[string]int{}}
}

func (c *crowd) Accept() (net.Conn, error) {
	for {
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		host, here := "", false
		if tcp, ok := conn.RemoteAddr().(*net.TCPAddr); ok {
			host, here = tcp.IP.String(), tcp.IP.IsLoopback()
		}
		if c.enter(host, here) {
			return &guest{Conn: conn, leave: sync.OnceFunc(func() { c.leave(host) })}, nil
		}
		_ = conn.Close() // whoever it is gets no answer
	}
}

func (c *crowd) enter(host string, here bool) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.all >= mostConnections || !here && c.from[host] >= mostConnectionsAddress {
		if now := time.Now(); now.Sub(c.said) >= time.Minute {
			c.said = now
			c.log.Warn("too many connections: new ones are closed", "from", host, "its", c.from[host], "all", c.all)
		}
		return false
	}
	c.all++
	c.from[host]++
	return true
}

func (c *crowd) leave(host string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.all--
	if c.from[host]--; c.from[host] == 0 {
		delete(c.from, host)
	}
}

// guest is one connection that was let in.
type guest struct {
	net.Conn
	leave func()
}

func (g *guest) Close() error {
	g.leave()
	return g.Conn.Close()
}
