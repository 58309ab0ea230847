package tooltest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"fileassay/verify"
)

// BenchmarkMillion verifies the image that FILEASSAY_MILLION names, which
// million.sh makes, and reports files in a second and the command's largest
// resident set. Without the variable there is nothing to measure.
func BenchmarkMillion(b *testing.B) {
	image := os.Getenv("FILEASSAY_MILLION")
	if image == "" {
		return
	}
	dir := b.TempDir()
	command := filepath.Join(dir, "fileassay")
	tool(b, "go", "build", "-o", command, "fileassay/cmd/fileassay")
	var files, peak int64
	for b.Loop() {
		c := exec.Command(command, "verify", image, "--assume-read", "--force", "--json", "--result", filepath.Join(dir, "result.jsonl"))
		var stdout, stderr bytes.Buffer
		c.Stdout, c.Stderr = &stdout, &stderr
		if err := c.Start(); err != nil {
			b.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- c.Wait() }()
		var err error
		for run := true; run; {
			select {
			case err = <-ended:
				run = false
			case <-time.After(10 * time.Millisecond):
				peak = max(peak, highWater(c.Process.Pid))
			}
		}
		if err != nil {
			b.Fatalf("verify: %v\n%s", err, &stderr)
		}
		var out verify.Outcome
		if err := json.Unmarshal(stdout.Bytes(), &out); err != nil {
			b.Fatal(err)
		}
		if !out.Clean() {
			b.Fatalf("the volume is whole, but: %+v", out.Summary)
		}
		files += out.Summary.Files.Total()
	}
	b.ReportMetric(float64(files)/b.Elapsed().Seconds(), "files/s")
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/op")
	b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
}

// highWater is the largest resident set of a process so far, in bytes; 0 where
// the system does not tell (it tells nothing of a process that has ended).
func highWater(pid int) int64 {
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	for line := range bytes.Lines(status) {
		if rest, ok := bytes.CutPrefix(line, []byte("VmHWM:")); ok {
			kib, err := strconv.ParseInt(string(bytes.TrimSpace(bytes.TrimSuffix(bytes.TrimSpace(rest), []byte("kB")))), 10, 64)
			if err == nil {
				return kib << 10
			}
		}
	}
	return 0
}
