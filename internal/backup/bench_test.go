package backup

import (
	"fmt"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkMake backs up a book of 500 batches (about two years of a small shop) and reads it back.
func BenchmarkMake(b *testing.B) {
	s := openBook(b, filepath.Join(b.TempDir(), "book.db"))
	stock(b, s)
	for i := range 500 {
		fill(b, s, fmt.Sprintf("batch%d", i), 8)
	}
	folder := b.TempDir()
	n := 0
	for b.Loop() {
		n++
		report, err := Make(b.Context(), s, filepath.Join(folder, fmt.Sprint(n, ".db")))
		require.NoError(b, err)
		require.Equal(b, 500, report.Batches)
	}
}
