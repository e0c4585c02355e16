package partition_test

import (
	"bytes"
	"errors"
	"io"
	"testing"

	"cardwright/partition"
)

// failAt refuses the n-th read.
type failAt struct {
	io.ReaderAt
	reads, n int
}

func (f *failAt) ReadAt(b []byte, offsetBytes int64) (int, error) {
	if f.reads++; f.reads == f.n {
		return 0, errBroken
	}
	return f.ReaderAt.ReadAt(b, offsetBytes)
}

// The walk: whichever read fails, it comes back as a ReadError with its cause, and no table beside it.
func TestEveryFailedReadIsTold(t *testing.T) {
	content := withFileSystem(t, withFileSystem(t, mbrMedium(48, entry{0, 0x0C, 8192, 32768}, entry{0, 0x0F, 40960, 32768}), 8192, "fat16"), 41000, "ext4")
	putMBR(content[40960*512:][:512], 0, entry{0, 0x83, 40, 8192})
	for n := 1; ; n++ {
		medium := &failAt{ReaderAt: bytes.NewReader(content), n: n}
		table, err := partition.Inspect(medium, int64(len(content)), 512)
		if medium.reads < n {
			if err != nil || n < 50 {
				t.Errorf("the walk ended at read %d with %v", n, err)
			}
			return
		}
		var failed *partition.ReadError
		if !errors.As(err, &failed) || !errors.Is(err, errBroken) || table != nil || failed.LengthBytes%512 != 0 {
			t.Fatalf("read %d: %v, %v", n, table, err)
		}
	}
}

// A medium that ends before its size is a failed read, not an empty medium.
func TestMediumShorterThanItsSizeIsAFailedRead(t *testing.T) {
	_, err := partition.Inspect(bytes.NewReader(make([]byte, 100)), 4096, 512)
	if !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("%v", err)
	}
}

func TestSectorSizesThatNoMediumHasAreRefused(t *testing.T) {
	for _, sectorBytes := range []int64{0, -512, 256, 513, 8192} {
		if _, err := partition.Inspect(bytes.NewReader(nil), 0, sectorBytes); !errors.Is(err, partition.ErrSectorSize) {
			t.Errorf("%d: %v", sectorBytes, err)
		}
	}
	if _, err := partition.Inspect(bytes.NewReader(nil), -1, 512); !errors.Is(err, partition.ErrSectorSize) {
		t.Errorf("negative size: %v", err)
	}
}

func TestSmallestMediaAreInspected(t *testing.T) {
	for _, sizeBytes := range []int64{0, 1, 511, 512, 513, 1024, 4095, 4096, 4608} {
		table := inspectSized(t, nil, sizeBytes, 512)
		if table.Kind != partition.SchemeNone || table.SizeBytes != sizeBytes || table.Partitions == nil || table.Findings == nil {
			t.Errorf("%d bytes: %+v", sizeBytes, table)
		}
	}
}

func TestRecogniseRefusesWhatIsNoImage(t *testing.T) {
	text := bytes.Repeat([]byte("no image, merely text\n"), 1000)
	for name, prefix := range map[string][]byte{"empty": nil, "zeros": make([]byte, 128<<10), "text": text, "ones": bytes.Repeat([]byte{0xFF}, 128<<10)} {
		if partition.Recognise(prefix) {
			t.Errorf("%s: recognised", name)
		}
	}
}
