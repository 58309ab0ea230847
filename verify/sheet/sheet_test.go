package sheet

import "testing"

func TestGuard(t *testing.T) {
	for in, want := range map[string]string{"": "", "a=1": "a=1", "=1": "'=1", "+1": "'+1", "-": "'-", "@a": "'@a", "\tx": "'\tx", "＝1": "'＝1", "'=1": "'=1",
		"a;=1;b": "a;'=1;b", "=1;-2": "'=1;'-2", "a; b;": "a; b;"} {
		if got := Guard(in); got != want {
			t.Errorf("Guard(%q) = %q, want %q", in, got, want)
		}
	}
}
