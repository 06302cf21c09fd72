package pour

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// reach returns every function of this package, and every "gram.Name", that code reachable from the start may call.
// It follows names, not types, and every mention counts as a call: so it finds too much rather than too little.
func reach(t *testing.T, start ...string) map[string]bool {
	t.Helper()
	entries, err := os.ReadDir(".")
	require.NoError(t, err)
	bodies := map[string][]*ast.BlockStmt{}
	fset := token.NewFileSet()
	for _, e := range entries {
		name := e.Name()
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(fset, name, nil, 0)
		require.NoError(t, err)
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && f.Body != nil {
				bodies[f.Name.Name] = append(bodies[f.Name.Name], f.Body)
			}
		}
	}
	found := map[string]bool{}
	var visit func(string)
	visit = func(name string) {
		if found[name] {
			return
		}
		found[name] = true
		for _, body := range bodies[name] {
			ast.Inspect(body, func(n ast.Node) bool {
				switch x := n.(type) {
				case *ast.SelectorExpr:
					if pkg, ok := x.X.(*ast.Ident); ok && pkg.Name == "gram" {
						found["gram."+x.Sel.Name] = true
						return false
					}
					if bodies[x.Sel.Name] != nil {
						visit(x.Sel.Name)
					}
				case *ast.CallExpr:
					if f, ok := x.Fun.(*ast.Ident); ok && bodies[f.Name] != nil {
						visit(f.Name)
					}
				}
				return true
			})
		}
	}
	for _, s := range start {
		require.NotEmpty(t, bodies[s], "%s is gone; name what replays now", s)
		visit(s)
	}
	return found
}

// Replay never calls planner or optimiser, so that a better solver never rewrites an old cup.
func TestReplayCallsNoSolver(t *testing.T) {
	replay := reach(t, "Fold", "Apply")
	for _, name := range []string{
		"NewPlan", "Choices", "PlanReduction", "TintWith", "BroughtUp", "exactly", "rescaled", "Distance",
		"gram.Exact", "gram.ExactChecked", "gram.LeastTopUp", "gram.LeastTopUpIn", "gram.FitCup", "gram.PourOff",
		"gram.Plan", "gram.Resize", "gram.FloorCeil", "gram.OverReduced", "gram.ReduceByRatio",
	} {
		assert.False(t, replay[name], "folding reaches %s", name)
	}
	assert.True(t, replay["takeBack"], "the walk follows calls")
	assert.True(t, reach(t, "Choices")["gram.LeastTopUpIn"], "the walk would find a solver")
	assert.True(t, reach(t, "Accept")["gram.Exact"])
}
