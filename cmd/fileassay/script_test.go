package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestScripts runs testdata/script: sessions with the commands, as a
// technician types them. Each begins with ferry.img and the maps all.csv and
// worn.csv in its folder.
func TestScripts(t *testing.T) {
	ferry := newBench(t)
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			for _, name := range []string{"ferry.img", "all.csv", "worn.csv"} {
				data, err := os.ReadFile(filepath.Join(ferry.dir, name))
				if err != nil {
					return err
				}
				if err := os.WriteFile(filepath.Join(e.WorkDir, name), data, 0o644); err != nil {
					return err
				}
			}
			return nil
		},
	})
}
