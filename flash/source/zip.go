package source

import (
	"errors"
	"fmt"
	"io"
	"strings"
)

const (
	// maxZipMembers and maxZipNameBytes bound what is kept of an archive until its directory is compared.
	maxZipMembers   = 10_000
	maxZipNameBytes = 1 << 20
)

// A zipReader decodes one member of a zip archive (APPNOTE 6.3) from its local headers on, so that a stream serves as well
// as a file. Then it reads on to the archive's end and compares the directory there with what it met.
type zipReader struct {
	in        *input
	member    string // wanted; empty: the only file
	stored    map[int64]int64
	entries   []zipEntry
	nameBytes int
	chosen    string // the member that is given out, once it is reached
	body      *zipBody
}

// startZip goes forward to the member that holds the image.
func (m *Image) startZip(o *origin, member string) (string, error) {
	plan, err := planZip(o.random, o.sizeBytes, member)
	if err != nil {
		return "", err
	}
	archive := &zipReader{in: m.input, member: member, stored: plan.storedBytes}
	m.decoder, m.declared = archive, plan.decodedBytes
	if archive.body, err = archive.find(); err != nil {
		return "", err
	}
	return archive.chosen, nil
}

func (z *zipReader) Read(p []byte) (int, error) {
	if z.body == nil {
		return 0, io.EOF
	}
	n, err := z.body.Read(p)
	if errors.Is(err, io.EOF) {
		z.body = nil
		err = z.finish()
	}
	return n, err
}

// find passes over members until the wanted one.
func (z *zipReader) find() (*zipBody, error) {
	for {
		entry, more, err := z.nextEntry()
		switch {
		case err != nil:
			return nil, err
		case !more:
			return nil, z.missing()
		case z.member != "" && entry.name != z.member, z.member == "" && entry.isDirectory():
			if err := z.skip(entry); err != nil {
				return nil, err
			}
		default:
			z.chosen = entry.name
			return z.open(entry)
		}
	}
}

// missing says what the archive holds instead of the wanted member.
func (z *zipReader) missing() error {
	if z.member == "" {
		return fmt.Errorf("%w: it holds no file", ErrNoMember)
	}
	return fmt.Errorf("%w: %q is not among %s", ErrNoMember, z.member, quoted(z.fileNames()))
}

// finish reads what follows the member: the other members, which must be none where none was chosen, and the directory.
func (z *zipReader) finish() error {
	for {
		entry, more, err := z.nextEntry()
		if err != nil {
			return err
		}
		if !more {
			break
		}
		if z.member == "" && !entry.isDirectory() {
			return fmt.Errorf("%w: among them %s", ErrManyMembers, quoted(z.fileNames()))
		}
		if entry.name == z.chosen {
			return fmt.Errorf("%w: two zip members are named %s", ErrMalformed, shown(entry.name))
		}
		if err := z.skip(entry); err != nil {
			return err
		}
	}
	if err := z.checkDirectory(); err != nil {
		return err
	}
	return io.EOF
}

// nextEntry takes the next local header; more is false in front of the directory.
func (z *zipReader) nextEntry() (entry *zipEntry, more bool, err error) {
	magic, err := z.in.Peek(4)
	if len(magic) < 4 {
		return nil, false, noEOF(err)
	}
	switch string(magic) {
	case zipDirectoryMagic, zipEndMagic, zipEnd64Magic:
		return nil, false, nil
	case zipLocalMagic:
	default:
		return nil, false, fmt.Errorf("%w: neither a zip member nor the directory", ErrMalformed)
	}
	read, err := readZipLocal(z.in)
	if err != nil {
		return nil, false, err
	}
	if z.nameBytes += len(read.name); z.nameBytes > maxZipNameBytes || len(z.entries) == maxZipMembers {
		return nil, false, fmt.Errorf("%w: a zip archive of more than %d members or %d bytes of names",
			ErrTooMuchMemory, maxZipMembers, maxZipNameBytes)
	}
	z.entries = append(z.entries, read)
	return &z.entries[len(z.entries)-1], true, nil
}

// open starts the member's data. Only here does it matter what a member is and how it is packed.
func (z *zipReader) open(entry *zipEntry) (*zipBody, error) {
	switch {
	case entry.isDirectory():
		return nil, fmt.Errorf("zip member %s: %w", shown(entry.name), ErrDirectory)
	case entry.flags&(zipEncryptedFlag|zipMaskedFlag) != 0:
		return nil, fmt.Errorf("zip member %s: %w", shown(entry.name), ErrEncrypted)
	case entry.flags&zipPatchFlag != 0:
		return nil, fmt.Errorf("zip member %s: patch data: %w", shown(entry.name), ErrUnsupported)
	}
	return newZipBody(z.in, entry, z.stored)
}

// skip passes over a member's data. Where its header states no size, its end is found by decoding.
func (z *zipReader) skip(entry *zipEntry) error {
	if entry.flags&zipDescriptorFlag == 0 {
		return z.in.skip(entry.packedBytes)
	}
	body, err := z.open(entry)
	if err == nil {
		_, err = io.Copy(io.Discard, body)
	}
	return err
}

func (z *zipReader) fileNames() []string {
	var names []string
	for _, entry := range z.entries {
		if !entry.isDirectory() {
			names = append(names, entry.name)
		}
	}
	return names
}

// shown is a name as an error tells it; names are untrusted, may hold control characters and may be 64 KiB long.
func shown(name string) string { return fmt.Sprintf("%.100q", name) }

// quoted lists names for an error.
func quoted(names []string) string {
	const most = 20
	var text strings.Builder
	for i, name := range names[:min(len(names), most)] {
		if i > 0 {
			text.WriteString(", ")
		}
		text.WriteString(shown(name))
	}
	if len(names) > most {
		fmt.Fprintf(&text, " and %d more", len(names)-most)
	}
	return text.String()
}
