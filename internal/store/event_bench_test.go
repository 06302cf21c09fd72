package store

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

// BenchmarkBareInsert is the yardstick of BenchmarkRecord8: one small row, one connection with the same settings, a commit each.
func BenchmarkBareInsert(b *testing.B) {
	s := openBook(b)
	conn := s.write.conn
	_, err := conn.ExecContext(ctx, `CREATE TABLE bare (id INTEGER PRIMARY KEY, body TEXT NOT NULL)`)
	require.NoError(b, err)
	insert, err := conn.PrepareContext(ctx, `INSERT INTO bare (body) VALUES (?)`)
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, insert.Close()) })
	body := `{"step":1,"attempt":1,"key":"t12","reading":412300}`
	for b.Loop() {
		if _, err := insert.ExecContext(context.Background(), body); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkRecord8 pours in eight goroutines, each its own batches of eight toners, from plan to finish, with a held reading
// before every pour.
func BenchmarkRecord8(b *testing.B) { benchmarkRecord(b, 8) }

// BenchmarkRecord1 is one tablet alone: a commit for every event.
func BenchmarkRecord1(b *testing.B) { benchmarkRecord(b, 1) }

func benchmarkRecord(b *testing.B, hands int) {
	s := openAt(b, filepath.Join(b.TempDir(), "book.db"))
	var left atomic.Int64
	left.Store(int64(b.N))
	var work sync.WaitGroup
	b.ResetTimer()
	for n := range hands {
		work.Go(func() {
			for batch := 0; left.Load() > 0; batch++ {
				pourOne(b, s, fmt.Sprintf("hand%d-batch%d", n, batch), &left)
			}
		})
	}
	work.Wait()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

func pourOne(b *testing.B, s *Store, batch string, left *atomic.Int64) {
	h := &hand{tb: b, store: s, batch: batch, device: "tablet"}
	var err error
	if left.Add(-1) < 0 {
		return
	}
	if h.state, err = s.Plan(ctx, batch, h.command(plan(8))); err != nil {
		b.Error(err)
		return
	}
	does := func(body pour.Body) bool {
		if left.Add(-1) < 0 {
			return false
		}
		if h.state, err = s.Record(ctx, batch, h.command(body)); err != nil {
			b.Error(err)
			return false
		}
		return true
	}
	if !does(pour.CupPlaced{Reading: 15 * gram.Gram}) {
		return
	}
	for len(h.state.Todo) > 0 {
		if !does(pour.Held{Step: h.state.Todo[0].No, Reading: h.state.Last + 5*gram.Gram}) || !does(h.poured(h.state.Todo[0].Aim)) {
			return
		}
	}
	_ = does(pour.Stirred{}) && does(pour.Finished{Kept: 1 * gram.Gram})
}

// BenchmarkRecord8TimesBare does both by turns, a slice of each, so that a busy machine weighs on both alike, and reports how
// many times the bare inserts Record keeps. It is meant for -benchtime 1x to 40x: an iteration is one pair of slices.
func BenchmarkRecord8TimesBare(b *testing.B) {
	s := openBook(b)
	conn := s.write.conn
	_, err := conn.ExecContext(ctx, `CREATE TABLE bare (id INTEGER PRIMARY KEY, body TEXT NOT NULL)`)
	require.NoError(b, err)
	const slice = 400
	var ratios []float64
	for turn := 0; b.Loop(); turn++ {
		start := time.Now()
		for range slice {
			if _, err := conn.ExecContext(ctx, `INSERT INTO bare (body) VALUES (?)`, `{"step":1,"attempt":1,"key":"t12","reading":412300}`); err != nil {
				b.Fatal(err)
			}
		}
		bare := time.Since(start)
		var left atomic.Int64
		left.Store(slice)
		start = time.Now()
		var work sync.WaitGroup
		for n := range 8 {
			work.Go(func() {
				for batch := 0; left.Load() > 0; batch++ {
					pourOne(b, s, fmt.Sprintf("turn%d-hand%d-batch%d", turn, n, batch), &left)
				}
			})
		}
		work.Wait()
		ratios = append(ratios, float64(bare)/float64(time.Since(start)))
	}
	slices.Sort(ratios)
	b.ReportMetric(ratios[len(ratios)/2], "times-bare")
}
