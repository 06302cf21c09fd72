package pour

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// twelve is a request of twelve toners.
func twelve() Request {
	r := request()
	r.Lines = nil
	for i := range 12 {
		strength := formula.Strengths[i%3]
		r.Lines = append(r.Lines, formula.Line{
			Mass: gram.Mass(1+i) * 7 * gram.Gram,
			Toner: formula.Toner{
				ID: int64(i + 1), Name: fmt.Sprintf("Toner %d", i+1), System: "Solvent base", Kind: formula.Solid, Strength: strength, Density: 1.1, PerLitre: 4000,
			},
		})
	}
	return r
}

func BenchmarkNewPlan12(b *testing.B) {
	r := twelve()
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := NewPlan(r); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkChoices12(b *testing.B) {
	m := newMixer(b, twelve())
	m.place(b)
	for range 6 {
		m.pour(b, m.s.Todo[0].Aim)
	}
	m.pour(b, m.s.Todo[0].Aim*3/2)
	require.Equal(b, NeedChoice, m.s.Need())
	shop := Shop{Cups: []Cup{{Name: "bucket", Brim: 5000}}, MinuteRate: 50, CupCost: 30}
	b.ReportAllocs()
	for b.Loop() {
		if len(Choices(m.s, shop, nil)) == 0 {
			b.Fatal("no choices")
		}
	}
}

func BenchmarkFold60(b *testing.B) {
	m := newMixer(b, twelve())
	m.place(b)
	for len(m.events) < 60 {
		step, ok := m.s.Open()
		if !ok {
			m.do(b, Shaken{Key: "t1"})
			continue
		}
		if len(m.events)%4 != 0 {
			m.do(b, Held{Step: step.No, Reading: m.s.Last + gram.Mass(len(m.events))})
			continue
		}
		m.pour(b, step.Aim)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Fold(m.events); err != nil {
			b.Fatal(err)
		}
	}
}
