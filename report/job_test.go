package report

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fileassay/verify/files"
	"hash/crc32"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// chunk is a part of a PNG file (PNG, third edition, 5.3).
func chunk(kind string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, kind...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

// pngOf is a PNG file whose header claims a size, and that holds nothing of it.
func pngOf(width, height uint32) []byte {
	h := binary.BigEndian.AppendUint32(nil, width)
	h = append(binary.BigEndian.AppendUint32(h, height), 8, 2, 0, 0, 0)
	return append([]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", h)...)
}

// jpegOf is a JPEG file whose header claims a size.
func jpegOf(t *testing.T, width, height uint16) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 8, 8)), nil); err != nil {
		t.Fatal(err)
	}
	i := bytes.Index(b.Bytes(), []byte{0xff, 0xc0})
	binary.BigEndian.PutUint16(b.Bytes()[i+5:], height)
	binary.BigEndian.PutUint16(b.Bytes()[i+7:], width)
	return b.Bytes()
}

// Pictures that are small as files and not as pictures are refused by their
// headers.
func TestLogoBounds(t *testing.T) {
	var whole, moving bytes.Buffer
	if err := png.Encode(&whole, image.NewGray(image.Rect(0, 0, 8, 8))); err != nil {
		t.Fatal(err)
	}
	if err := gif.Encode(&moving, image.NewPaletted(image.Rect(0, 0, 8, 8), color.Palette{color.Black}), nil); err != nil {
		t.Fatal(err)
	}
	head := len(pngOf(0, 0))
	moves := append(append(bytes.Clone(whole.Bytes()[:head]), chunk("acTL", make([]byte, 8))...), whole.Bytes()[head:]...)
	scan := jpegOf(t, 8, 8)
	scan = append(scan[:len(scan)-2], bytes.Repeat([]byte{0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0}, 101)...)
	for _, c := range []struct {
		name string
		data []byte
		say  string // "" where the picture is good
	}{
		{"good.png", whole.Bytes(), ""},
		{"good.jpg", jpegOf(t, 8, 8), ""},
		{"largest.png", pngOf(4096, 1024), ""},
		{"bomb.png", pngOf(60000, 60000), "is 60000 by 60000 pixels"},
		{"bomb.jpg", jpegOf(t, 60000, 60000), "is 60000 by 60000 pixels"},
		{"long.png", pngOf(1<<31-1, 1), "is 2147483647 by 1 pixels"},
		{"long.jpg", jpegOf(t, 1, 65535), "is 1 by 65535 pixels"},
		{"square.png", pngOf(4096, 4096), "4194304 in all"},
		{"huge.png", pngOf(1<<31-1, 1<<31-1), "logo "},
		{"moves.png", moves, "moves"},
		{"scans.jpg", scan, "scans"},
		{"padded.png", append(whole.Bytes(), make([]byte, 1<<20)...), "1048576 bytes"},
		{"moves.gif", moving.Bytes(), "PNG or JPEG"},
	} {
		path := filepath.Join(t.TempDir(), c.name)
		if err := os.WriteFile(path, c.data, 0o644); err != nil {
			t.Fatal(err)
		}
		_, err := Job{Logo: path}.loadLogo()
		var in *files.InputError
		if c.say == "" && err != nil || c.say != "" && (!errors.As(err, &in) || !strings.Contains(err.Error(), c.say)) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.say)
		}
	}
}
