package delivery

import (
	"encoding/json"
	"errors"
	"fileassay/verify/result"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func record(t testing.TB, line string) *result.File {
	t.Helper()
	fields := map[string]json.RawMessage{}
	whole := (&result.File{}).AppendLine(nil) // what stands in every line
	for _, b := range [][]byte{whole, []byte(line)} {
		if err := json.Unmarshal(b, &fields); err != nil {
			t.Fatal(err)
		}
	}
	b, err := json.Marshal(fields)
	if err != nil {
		t.Fatal(err)
	}
	var f result.File
	if err := json.Unmarshal(b, &f); err != nil {
		t.Fatal(err)
	}
	return &f
}

func TestContentOf(t *testing.T) {
	opt := cmp.AllowUnexported(content{}, part{}, unit{}, span{})
	for _, c := range []struct {
		name, line string
		want       content
	}{
		{"plain with a hole", `{"size":5000,"extents":[[0,512,1000],[4096,2048,904]]}`,
			content{size: 5000, parts: []part{{0, 1000, 512}, {4096, 904, 2048}}}},
		{"patched", `{"size":700,"extents":[[0,1000,510],[512,1512,188]],"patched":[[510,900,2]]}`,
			content{size: 700, parts: []part{{0, 510, 1000}, {510, 2, 900}, {512, 188, 1512}}}},
		{"damaged in the middle", `{"size":3000,"extents":[[0,10000,3000]],"damage":[[512,10512,512,"failed"],[2048,null,100,"unlocated"]]}`,
			content{size: 3000, parts: []part{{0, 512, 10000}, {1024, 1024, 11024}, {2148, 852, 12148}}, missing: []span{{512, 512}, {2048, 100}}}},
		{"of unknown size", `{"size":null,"extents":[[512,10000,100]],"damage":[[0,null,512,"unlocated"]]}`,
			content{size: 612, parts: []part{{512, 100, 10000}}, missing: []span{{0, 512}}}},
		{"overlap", `{"size":10,"extents":[[0,100,8],[2,200,20],[4,300,1]]}`,
			content{size: 10, parts: []part{{0, 8, 100}, {8, 2, 206}}}},
		// the second unit is stored plain and goes on where the first's one cluster ends
		{"lznt1", `{"size":140000,"stored":"compressed","packing":{"method":"lznt1","unit":65536,"units":[[0,4096],[131072,8192]]},
			"extents":[[0,1000,4096],[65536,5096,65536],[131072,90000,4096],[135168,20000,4096]]}`,
			content{size: 140000, method: "lznt1", parts: []part{{65536, 65536, 5096}},
				units: []unit{{span{0, 65536}, []part{{0, 4096, 1000}}, 65536}, {span{131072, 8928}, []part{{0, 4096, 90000}, {4096, 4096, 20000}}, 65536}}}},
		{"lznt1, zeros past the valid bytes", `{"size":140000,"stored":"compressed","packing":{"method":"lznt1","unit":65536,"valid":70000,"units":[[0,4096,8192]]},
			"extents":[[0,1000,4096],[65536,90000,8192]]}`,
			content{size: 140000, method: "lznt1",
				units: []unit{{span{0, 65536}, []part{{0, 4096, 1000}}, 65536}, {span{65536, 4464}, []part{{0, 8192, 90000}}, 65536}}}},
		// a unit of one cluster whose content ends with the cluster
		{"lznt1 and plain of one length", `{"size":69632,"stored":"compressed","packing":{"method":"lznt1","unit":65536,"units":[[65536,4096]]},"extents":[[0,1000,69632]]}`,
			content{size: 69632, method: "lznt1", parts: []part{{0, 65536, 1000}}, units: []unit{{span{65536, 4096}, []part{{0, 4096, 66536}}, 65536}}}},
		{"chunks, one of them damaged", `{"size":10000,"stored":"compressed","packing":{"method":"xpress","unit":4096,"units":[[0,300,200,100]]},
			"extents":[[8,1000,400],[408,5000,200]],"damage":[[4096,1300,4096,"failed"]]}`,
			content{size: 10000, method: "xpress", missing: []span{{4096, 4096}},
				units: []unit{{span{0, 4096}, []part{{0, 300, 1000}}, 4096}, {span{8192, 1808}, []part{{0, 100, 5100}}, 1808}}}},
		{"chunks after one that is not located", `{"size":10000,"stored":"compressed","packing":{"method":"lzx","unit":4096,"units":[[0,300],[8192,100]]},
			"extents":[[8,1000,300],[600,5000,100]],"damage":[[4096,null,4096,"unlocated"]]}`,
			content{size: 10000, method: "lzx", missing: []span{{4096, 4096}},
				units: []unit{{span{0, 4096}, []part{{0, 300, 1000}}, 4096}, {span{8192, 1808}, []part{{0, 100, 5000}}, 1808}}}},
		{"compressed, all plain", `{"size":3000,"stored":"compressed","extents":[[0,512,3000]]}`,
			content{size: 3000, parts: []part{{0, 3000, 512}}}},
	} {
		got, err := contentOf(record(t, c.line))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		} else if d := cmp.Diff(c.want, got, opt); d != "" {
			t.Errorf("%s: %s", c.name, d)
		}
	}
	for _, bad := range []string{
		`{"size":-1}`,
		`{"size":5,"extents":[[0,-1,5]]}`,
		`{"size":5,"extents":[[0,0,0]]}`,
		`{"size":5,"damage":[[-1,null,5,"failed"]]}`,
		`{"size":4096,"stored":"compressed","packing":{"method":"lznt1","unit":65536,"units":[[0,512]]},"extents":[[0,0,511]]}`,
		`{"size":4096,"stored":"compressed","packing":{"method":"xpress","unit":4096,"units":[[4096,5]]},"extents":[[0,0,5]]}`,
		`{"size":4096,"stored":"compressed","packing":{"method":"xpress","unit":0,"units":[[0,5]]},"extents":[[0,0,5]]}`,
		`{"size":4096,"stored":"compressed","packing":{"method":"xpress","unit":4096,"units":[[]]},"extents":[[0,0,5]]}`,
		`{"size":140000,"stored":"compressed","packing":{"method":"lznt1","unit":65536,"valid":65536,"units":[[65536,512]]},"extents":[[65536,0,512]]}`,
	} {
		if c, err := contentOf(record(t, bad)); !errors.Is(err, errNonsense) {
			t.Errorf("%s: %+v, %v", bad, c, err)
		}
	}
	if _, err := contentOf(record(t, `{"size":3000,"stored":"compressed","extents":[[0,512,4096]]}`)); !errors.Is(err, errUnpackable) {
		t.Errorf("content that no packing explains: %v", err)
	}
}

func FuzzContentOf(f *testing.F) {
	f.Add([]byte(`{"size":5000,"extents":[[0,512,1000],[4096,2048,904]],"damage":[[100,612,100,"failed"]]}`))
	f.Add([]byte(`{"size":140000,"stored":"compressed","packing":{"method":"lznt1","unit":65536,"units":[[0,4096],[131072,8192]]},"extents":[[0,1000,4096],[65536,5096,65536],[131072,90000,8192]]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var r result.File
		if json.Unmarshal(b, &r) != nil {
			return
		}
		c, err := contentOf(&r)
		if err != nil {
			return
		}
		pos := int64(0)
		for _, p := range c.parts {
			if p.off < pos || p.length <= 0 || p.off+p.length > c.size || p.image < 0 || c.isMissing(span{p.off, p.length}) {
				t.Fatalf("part %+v of %+v", p, c)
			}
			pos = p.off + p.length
		}
		pos = 0
		for _, u := range c.units {
			if u.off < pos || u.length <= 0 || u.end() > c.size || u.whole < u.length || c.isMissing(u.span) || len(u.stored) == 0 {
				t.Fatalf("unit %+v of %+v", u, c)
			}
			pos = u.end()
		}
	})
}
