package registers

import (
	"bytes"
	"errors"
	"fmt"
)

// A Kind is a family of cards by capacity, or eMMC.
type Kind string

// The kinds of cards.
const (
	SDSC Kind = "SDSC" // up to 2 GiB; CSD of structure 1.0
	SDHC Kind = "SDHC" // up to 32 GiB; structure 2.0
	SDXC Kind = "SDXC" // up to 2 TiB; structure 2.0
	SDUC Kind = "SDUC" // up to 128 TiB; structure 3.0
	EMMC Kind = "eMMC"
)

// Kinds lists every kind.
func Kinds() []Kind { return []Kind{SDSC, SDHC, SDXC, SDUC, EMMC} }

// Parts are the registers of one card before they are encoded. Those that a card of this kind has not are left alone.
type Parts struct {
	Kind      Kind
	SizeBytes int64 // of the device as the kernel states it

	CID CID // of an SD card, like the next three
	CSD CSD
	SCR SCR
	SSR SSR

	EMMCCID EMMCCID // of an eMMC, like the next two
	EMMCCSD EMMCCSD
	ExtCSD  ExtCSD
}

// Encode gives what the card tells. The error is an ErrField.
func (p Parts) Encode() (Set, error) {
	s := Set{Kind: p.Kind, SizeBytes: p.SizeBytes}
	var errs [4]error
	if p.Kind == EMMC {
		s.CID, errs[0] = p.EMMCCID.Encode()
		s.CSD, errs[1] = p.EMMCCSD.Encode()
		s.ExtCSD = p.ExtCSD
	} else {
		s.CID, errs[0] = p.CID.Encode()
		s.CSD, errs[1] = p.CSD.Encode()
		s.SCR, errs[2] = p.SCR.Encode()
		s.SSR, errs[3] = p.SSR.Encode()
	}
	if err := errors.Join(errs[:]...); err != nil {
		return Set{}, err
	}
	return s, nil
}

// A Set is what one card tells, and how a kernel shows it.
type Set struct {
	Kind      Kind
	SizeBytes int64  // of the device as the kernel states it; no register
	CID       []byte // 16 bytes
	CSD       []byte // 16 bytes
	SCR       []byte // 8 bytes; nil for eMMC, like the next
	SSR       []byte // 64 bytes
	ExtCSD    ExtCSD // of eMMC alone

	OlderKernel bool // the folder is written as kernels did before they put 0x before every number in it
}

// Clone gives a Set of its own bytes.
func (s Set) Clone() Set {
	s.CID, s.CSD, s.SCR, s.SSR = bytes.Clone(s.CID), bytes.Clone(s.CSD), bytes.Clone(s.SCR), bytes.Clone(s.SSR)
	return s
}

// register gives the bytes that a field is in; the field may be poked there.
func (s Set) register(in place) []byte { return [...][]byte{s.CID, s.CSD, s.SCR, s.SSR}[in] }

// get reads a field.
func (s Set) get(f field) uint64 { return f.peek(s.register(f.in)) }

// A change gives a field another value.
type change struct {
	field field
	value uint64
}

// with gives a Set with some fields changed, and the checksums right again where they cover one of them.
func (s Set) with(changes ...change) Set {
	s = s.Clone()
	for _, c := range changes {
		c.field.poke(s.register(c.field.in), c.value)
		if c.field.in == inCID || c.field.in == inCSD {
			seal(s.register(c.field.in))
		}
	}
	return s
}

// size is the field that tells the capacity.
func (k Kind) size() field {
	switch k {
	case SDHC, SDXC:
		return csd2Size
	case SDUC:
		return csd3Size
	}
	return csd1Size
}

// sizes gives the least and the greatest size of a kind. The greatest of SDHC and SDXC leave room for the protected area, and
// are from memory.
func (k Kind) sizes() (leastBytes, mostBytes int64) {
	const sector = 512
	switch k {
	case SDHC:
		return 4_211_712 * sector, 66_945_024 * sector
	case SDXC:
		return 67_108_864 * sector, 4_294_705_152 * sector
	case SDUC:
		return 2<<40 + UnitBytes, 128 << 40
	case EMMC:
		return 2<<30 + sector, 1 << 32 * sector // what SEC_COUNT holds
	}
	return 4 * sector, 2 << 30
}

// Sized gives the same card in another size: its CSD and its device tell it. The error is an ErrSize.
func (s Set) Sized(sizeBytes int64) (Set, error) {
	least, most := s.Kind.sizes()
	if sizeBytes < least || sizeBytes > most {
		return Set{}, fmt.Errorf("%w: %s is of %d to %d bytes, not of %d", ErrSize, s.Kind, least, most, sizeBytes)
	}
	sized := s.Clone()
	switch s.Kind {
	case EMMC: // its CSD does not tell
	case SDSC:
		changes := blocksOf(sizeBytes)
		if changes == nil {
			return Set{}, fmt.Errorf("%w: C_SIZE and C_SIZE_MULT cannot tell %d bytes", ErrSize, sizeBytes)
		}
		sized = s.with(changes...)
	default:
		if sizeBytes%UnitBytes != 0 {
			return Set{}, fmt.Errorf("%w: %d bytes are no multiple of 512 KiB; %d are", ErrSize, sizeBytes, sizeBytes/UnitBytes*UnitBytes)
		}
		sized = s.with(change{s.Kind.size(), uint64(sizeBytes/UnitBytes - 1)})
	}
	sized.SizeBytes = sizeBytes
	return sized, nil
}

// blocksOf tells a capacity in structure 1.0, in the shortest blocks that can; nil where none can.
func blocksOf(sizeBytes int64) []change {
	for blockLog2 := uint64(9); blockLog2 <= 11; blockLog2++ {
		for mult := uint64(0); mult <= 7; mult++ {
			unit := int64(1) << (mult + 2 + blockLog2)
			if sizeBytes%unit == 0 && sizeBytes/unit <= 1<<12 {
				return []change{
					{csd1Size, uint64(sizeBytes/unit - 1)},
					{csd1Mult, mult},
					{csdReadBlock, blockLog2},
					{csdWriteBlock, blockLog2},
				}
			}
		}
	}
	return nil
}
