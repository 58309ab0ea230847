package report_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"fileassay/extract/imap"
	"fileassay/report"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// structurePlan is a plan of a made drive whose second of three steps reads the
// last of what leads to more.
func structurePlan(t *testing.T) *reread.Plan {
	t.Helper()
	p := planOf(t, imap.Failed)
	if p.Again == 0 || p.Again >= len(p.Steps) {
		t.Fatalf("verify again after %d of %d steps: want it in between", p.Again, len(p.Steps))
	}
	return p
}

// planOf is a plan of the drive with all that is unread in a state.
func planOf(t *testing.T, state imap.State) *reread.Plan {
	t.Helper()
	m := resulttest.Made{
		Image:   result.Image{Path: "kiln.img", Size: 1 << 20},
		Volumes: []result.Volume{{Length: 1 << 20, Filesystem: "ext4", Listing: result.Listing{UnreadRecords: 60}, Needs: [][2]int64{{65536, 512}, {262144, 512}}}},
		Places:  append(resulttest.Unread(state, "files", [2]int64{8192, 512}), resulttest.Unread(state, "structures", [2]int64{65536, 512}, [2]int64{262144, 512})...),
		Files:   []*result.File{{ID: 9, Path: "glaze tests.odt", Size: resulttest.Num(512), Extents: [][3]int64{{0, 8192, 512}}}},
	}
	p, err := reread.New(m.Open(t), reread.Options{Costs: reread.DefaultCosts()})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A plan that reads next to nothing, in one go, says so in every form.
func TestPlanInOneGo(t *testing.T) {
	p := planOf(t, imap.Skipped)
	if !p.InOneGo || p.Ranges[0].Start != 8192 || p.Again != len(p.Steps) {
		t.Fatalf("in one go %v, first range at %d, verify again after step %d of %d", p.InOneGo, p.Ranges[0].Start, p.Again, len(p.Steps))
	}
	var table, page bytes.Buffer
	if err := errors.Join(report.Plan(&table, p, 0, report.Style{}), report.PlanPage(&page, p)); err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(report.NewPlanRecord(p))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(table.String(), "it is read in one go, by place") || !strings.Contains(page.String(), "it is read in one go, by place") ||
		!strings.Contains(string(data), `"in_one_go":true`) {
		t.Errorf("it is not said:\n%s\n%s", table.String(), data)
	}
	if planOf(t, imap.Failed).InOneGo {
		t.Error("failed sectors are dear, and read in one go")
	}
}

// Every form of a plan says after which step to verify again, and where.
func TestPlanSaysVerifyAgain(t *testing.T) {
	p := structurePlan(t)
	const words = "verify again and plan anew: most of what leads to more has been read"
	write := func(f func(*bytes.Buffer) error) string {
		t.Helper()
		var b bytes.Buffer
		if err := f(&b); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	table := write(func(b *bytes.Buffer) error { return report.Plan(b, p, 0, report.Style{}) })
	if i, j := strings.Index(table, words), strings.Index(table, "glaze tests.odt"); i < 0 || j < i {
		t.Errorf("the table does not say it before the file:\n%s", table)
	}
	short := write(func(b *bytes.Buffer) error { return report.Plan(b, p, p.Again-1, report.Style{}) })
	if p.Again > 1 && !strings.Contains(short, fmt.Sprintf("after step %d, %s", p.Again, words)) {
		t.Errorf("a table that ends before it does not say it:\n%s", short)
	}
	list := strings.Split(write(func(b *bytes.Buffer) error { return report.PlanList(b, p) }), "\n")
	at, file := -1, -1
	for i, line := range list {
		switch line {
		case "# " + words:
			at = i
		case "8192,512,failed":
			file = i
		}
	}
	if at < 0 || file != at+1 {
		t.Errorf("the list says it in line %d, the file's range is line %d:\n%s", at, file, strings.Join(list, "\n"))
	}
	page := write(func(b *bytes.Buffer) error { return report.PlanPage(b, p) })
	if !strings.Contains(page, fmt.Sprintf("After step %d, %s.", p.Again, words)) {
		t.Error("the page does not say it")
	}
	data, err := json.Marshal(report.NewPlanRecord(p))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(data), fmt.Sprintf(`"verify_again_after":%d`, p.Again)) {
		t.Errorf("JSON does not say it: %s", data)
	}
}
