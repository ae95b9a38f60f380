package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"swathkeeper/worker/bus"
)

// TestClusterDiskFull fills the disk of one of three servers: the two others go on, the worker judges,
// doctor names the server, and when there is room and that server is started again the cluster is whole.
func TestClusterDiskFull(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	const ill = 1
	var disk string
	c := startCluster(t, func(dir string) {
		disk = filepath.Join(dir, "bus-2")
		smallDisk(t, disk, "96m")
	})
	p := &program{t: t, dir: t.TempDir()}
	admin := c.setUp(p, 1)
	file, good, drifted := thinned(t)
	p.do(append([]string{"chart", "add", file}, admin...)...)
	hits := countChat(t)
	p.startLogged("--nats", c.urls(), "--nkey", c.keys[bus.RoleWorker], "--name", "judge-1", "--chat", hits.url, "--chat-inside")
	teach(t, p, good, admin...)
	_, js := c.connect(bus.RoleAdmin)
	_, sjs := c.connect(bus.RoleStation)
	c.whole(js)
	l := startLoad(t, sjs, 20, good, drifted)
	l.await(t, 10)
	filler := filepath.Join(disk, "filler")
	fillUp(t, filler)
	l.await(t, 100) // two servers go on
	c.missed(admin, ill)
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	c.kill(ill)
	c.start(ill)
	c.whole(js)
	l.await(t, 10)
	l.end(t)
	for _, printer := range loadPrinters {
		p.do(append([]string{"journal", "add", "note", "--site", "quay", "--printer", printer, "--text", "the last input"}, admin...)...)
	}
	records := p.records(admin...)
	hits.wait(t, records)
	l.checkAll(t, records, hits, 1)
	if out, status := p.try("doctor", "--nats", c.urls(), "--nkey", c.keys[bus.RoleViewer]); status != 0 || strings.Contains(out, "is away") {
		t.Errorf("doctor: status %d\n%s", status, out)
	}
}
