package source

import (
	"errors"
	"io"

	"cardwright/flash/source/xz"
)

// An xzReader names the errors of package xz as those of every other format.
type xzReader struct{ xz *xz.Reader }

// newXZ decodes an xz file. The plan, where there is one, lets it decode blocks side by side that state no sizes themselves.
func newXZ(in *input, plan xz.Plan, memoryBytes int64) io.Reader {
	return &xzReader{xz.NewReader(in, xz.Options{
		MaxDictionaryBytes: MaxDictionaryBytes, MemoryBytes: memoryBytes, Plan: plan.Blocks,
	})}
}

func (x *xzReader) Read(p []byte) (int, error) {
	n, err := x.xz.Read(p)
	return n, namedXZError(err)
}

// namedXZError gives an error the sentinel that callers of this package look for. The place stays that of package xz.
func namedXZError(err error) error {
	for _, pair := range [][2]error{
		{xz.ErrTruncated, ErrTruncated},
		{xz.ErrTrailing, ErrTrailing},
		{xz.ErrMalformed, ErrMalformed},
		{xz.ErrChecksum, ErrChecksum},
		{xz.ErrUnsupported, ErrUnsupported},
		{xz.ErrDictionary, ErrTooMuchMemory},
	} {
		if typed, ok := errors.AsType[*xz.Error](err); ok && errors.Is(err, pair[0]) {
			return &Error{Op: "decode " + string(FormatXZ), OffsetBytes: typed.OffsetBytes, Err: renamed{typed.Err, pair[1]}}
		}
	}
	return err
}

// A renamed error keeps its words and is another sentinel too.
type renamed struct {
	error
	sentinel error
}

func (r renamed) Unwrap() []error { return []error{r.error, r.sentinel} }

// planXZ reads what the indexes state, and gives the decoded size; -1 where that is not possible.
func planXZ(file io.ReaderAt, sizeBytes int64) (plan xz.Plan, decodedBytes int64) {
	if file == nil {
		return xz.Plan{}, -1
	}
	plan, err := xz.ReadPlan(file, sizeBytes)
	if err != nil {
		return xz.Plan{}, -1
	}
	return plan, plan.DecodedBytes
}
