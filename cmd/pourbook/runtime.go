package main

import (
	"os"
	"runtime"
	"runtime/debug"
)

// easeRuntime fits Go's runtime to a small machine that waits for its disk.
//
// The live heap is a few megabytes: collecting it at five times that instead of at twice costs memory that nobody
// misses. A commit waits for the disk inside one call into SQLite, which keeps a processor of the runtime to itself for
// as long: with two to spare the taps of other tablets are read meanwhile. Together they let eight tablets pour a good
// third faster (BenchmarkPourHTTP8). Whoever sets GOGC or GOMAXPROCS knows better.
func easeRuntime() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(400)
	}
	if os.Getenv("GOMAXPROCS") == "" {
		runtime.GOMAXPROCS(runtime.NumCPU() + 2)
	}
}
