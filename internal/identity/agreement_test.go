package identity_test

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"testing"

	lab "cardwright/internal/cardlab/registers"
	"cardwright/internal/identity"
)

// randomCards is how many cards of each kind are tried.
const randomCards = 2000

// TestDecodingIsTheWayBackFromEncoding decodes random registers of every structure, which the card lab encodes from the
// specification without any knowledge of the decoders.
func TestDecodingIsTheWayBackFromEncoding(t *testing.T) {
	for _, kind := range lab.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			seed := rand.Uint64()
			r := rand.New(rand.NewPCG(seed, 0))
			for i := range randomCards {
				set, parts := lab.Random(r, kind)
				set.OlderKernel = i%2 == 0
				raw, err := identity.ReadFolder(set.Folder())
				if err != nil || len(raw.Unread) != 0 {
					t.Fatalf("seed %d, card %d: %v, unread %v", seed, i, err, raw.Unread)
				}
				for what, got := range map[string][2][]byte{
					"CID": {raw.CID, set.CID}, "CSD": {raw.CSD, set.CSD}, "SCR": {raw.SCR, set.SCR}, "SSR": {raw.SSR, set.SSR},
				} {
					if !bytes.Equal(got[0], got[1]) {
						t.Fatalf("seed %d, card %d: the folder's %s is %x, want %x", seed, i, what, got[0], got[1])
					}
				}
				card := identity.Decode(raw)
				if kind == lab.EMMC {
					expectEMMC(t, card, parts)
				} else {
					expectSD(t, card, parts)
				}
				if t.Failed() {
					t.Fatalf("seed %d, card %d: %x %x %x %x", seed, i, set.CID, set.CSD, set.SCR, set.SSR)
				}
			}
		})
	}
}

func expectSD(t *testing.T, card *identity.Card, parts lab.Parts) {
	t.Helper()
	if card.Kind != identity.KindSD || card.Health != nil {
		t.Fatalf("kind %q, health %v", card.Kind, card.Health)
	}
	cid := parts.CID
	expectFields(t, "CID", card.CID, map[string]uint64{
		"MID": uint64(cid.ManufacturerID), "OID": number([]byte(cid.OEM)), "PNM": number([]byte(cid.Name)),
		"PRV": uint64(cid.RevisionMajor)<<4 | uint64(cid.RevisionMinor), "PSN": uint64(cid.Serial),
		"MDT": uint64(cid.Year-2000)<<4 | uint64(cid.Month),
	})
	if card.CID.Year != cid.Year || card.CID.Month != cid.Month || card.CID.Serial != identity.Serial(cid.Serial) ||
		card.CID.Manufactured != fmt.Sprintf("%04d-%02d", cid.Year, cid.Month) {
		t.Errorf("the CID's date is told as %s, %d-%d, its serial as %s", card.CID.Manufactured, card.CID.Year, card.CID.Month, card.CID.Serial)
	}
	switch csd := parts.CSD.(type) {
	case lab.CSD1:
		expectFields(t, "CSD", card.CSD, common(csd.CSDCommon), erase(csd.CSDErase), blocks(csd.CSDBlocks))
		expectCapacity(t, card.CSD, "1.0", parts.CSD.CapacityBytes(), csd.ReadBlockLog2Bytes < 9 || csd.ReadBlockLog2Bytes > 11)
	case lab.CSD2:
		expectFields(t, "CSD", card.CSD, common(csd.CSDCommon), erase(csd.CSDErase), map[string]uint64{"C_SIZE": uint64(csd.Size)})
		expectCapacity(t, card.CSD, "2.0", parts.CSD.CapacityBytes(), false)
	case lab.CSD3:
		expectFields(t, "CSD", card.CSD, common(csd.CSDCommon), erase(csd.CSDErase), map[string]uint64{"C_SIZE": uint64(csd.Size)})
		expectCapacity(t, card.CSD, "3.0", parts.CSD.CapacityBytes(), false)
	default:
		t.Fatalf("a CSD of type %T", csd)
	}
	expectFields(t, "SCR", card.SCR, map[string]uint64{
		"SCR_STRUCTURE": uint64(parts.SCR.Structure), "SD_SPEC": uint64(parts.SCR.Spec),
		"DATA_STAT_AFTER_ERASE": bit(parts.SCR.ErasedIsOnes), "SD_SECURITY": uint64(parts.SCR.Security),
		"SD_BUS_WIDTHS": uint64(parts.SCR.BusWidths), "SD_SPEC3": bit(parts.SCR.Spec3), "EX_SECURITY": uint64(parts.SCR.ExtendedSecurity),
		"SD_SPEC4": bit(parts.SCR.Spec4), "SD_SPECX": uint64(parts.SCR.SpecX), "CMD_SUPPORT": uint64(parts.SCR.CommandSupport),
		"reserved for the manufacturer": uint64(parts.SCR.Manufacturer),
	})
	s := parts.SSR
	expectFields(t, "SSR", card.SSR, map[string]uint64{
		"DAT_BUS_WIDTH": uint64(s.BusWidth), "SECURED_MODE": bit(s.Secured), "SD_CARD_TYPE": uint64(s.CardType),
		"SIZE_OF_PROTECTED_AREA": uint64(s.ProtectedArea), "SPEED_CLASS": uint64(s.SpeedClassCode),
		"PERFORMANCE_MOVE": uint64(s.MoveMBPerSecond), "AU_SIZE": uint64(s.AUCode), "ERASE_SIZE": uint64(s.EraseAUs),
		"ERASE_TIMEOUT": uint64(s.EraseTimeoutSeconds), "ERASE_OFFSET": uint64(s.EraseOffsetSeconds),
		"UHS_SPEED_GRADE": uint64(s.UHSGrade), "UHS_AU_SIZE": uint64(s.UHSAUCode), "VIDEO_SPEED_CLASS": uint64(s.VideoClass),
		"VSC_AU_SIZE": uint64(s.VideoAUMB), "SUS_ADDR": uint64(s.SuspendAddress), "APP_PERF_CLASS": uint64(s.AppClass),
		"PERFORMANCE_ENHANCE": uint64(s.PerformanceEnhance), "DISCARD_SUPPORT": bit(s.Discard), "FULE_SUPPORT": bit(s.FULE),
	})
	if card.SSR.Discard != s.Discard {
		t.Errorf("discard is told as %v", card.SSR.Discard)
	}
}

func expectEMMC(t *testing.T, card *identity.Card, parts lab.Parts) {
	t.Helper()
	if card.Kind != identity.KindEMMC || card.SCR != nil || card.SSR != nil || card.Health == nil {
		t.Fatalf("kind %q, SCR %v, SSR %v, health %v", card.Kind, card.SCR, card.SSR, card.Health)
	}
	cid := parts.EMMCCID
	expectFields(t, "CID", card.CID, map[string]uint64{
		"MID": uint64(cid.ManufacturerID), "CBX": uint64(cid.Form), "OID": uint64(cid.OEM), "PNM": number([]byte(cid.Name)),
		"PRV": uint64(cid.Revision), "PSN": uint64(cid.Serial), "MDT": uint64(cid.Month)<<4 | uint64(cid.Year-1997)%16,
	})
	if card.CID.Year != cid.Year || card.CID.Month != cid.Month || card.CID.Serial != identity.Serial(cid.Serial) {
		t.Errorf("the CID's date is told as %d-%d, its serial as %s", card.CID.Year, card.CID.Month, card.CID.Serial)
	}
	csd := parts.EMMCCSD
	expectFields(t, "CSD", card.CSD, common(csd.CSDCommon), blocks(csd.CSDBlocks), map[string]uint64{
		"CSD_STRUCTURE": uint64(csd.Structure), "SPEC_VERS": uint64(csd.SpecVersion), "ERASE_GRP_SIZE": uint64(csd.EraseGroupUnitsLessOne),
		"ERASE_GRP_MULT": uint64(csd.EraseGroupMultLessOne), "WP_GRP_SIZE": uint64(csd.WriteProtectGroupSectorsLessOne),
	})
	expectFields(t, "health", card.Health, map[string]uint64{
		"EXT_CSD_REV": uint64(parts.ExtCSD.Revision), "PRE_EOL_INFO": uint64(parts.ExtCSD.PreEOL),
		"DEVICE_LIFE_TIME_EST_TYP_A": uint64(parts.ExtCSD.LifeTimeA), "DEVICE_LIFE_TIME_EST_TYP_B": uint64(parts.ExtCSD.LifeTimeB),
	})
}

// expectFields compares every field that the card lab knows of a register by its name in the specification.
func expectFields(t *testing.T, register string, decoded interface{ Value(string) (uint64, bool) }, wanted ...map[string]uint64) {
	t.Helper()
	for _, fields := range wanted {
		for name, want := range fields {
			if got, ok := decoded.Value(name); !ok || got != want {
				t.Errorf("%s: %s is %#x (there: %v), want %#x", register, name, got, ok, want)
			}
		}
	}
}

// expectCapacity compares what a CSD tells of the user area; a block length that is reserved tells none.
func expectCapacity(t *testing.T, csd *identity.CSD, structure string, wantBytes int64, untold bool) {
	t.Helper()
	if untold {
		wantBytes = 0
	}
	if csd.Structure != structure || csd.CapacityBytes != wantBytes {
		t.Errorf("structure %s of %d bytes, want %s of %d", csd.Structure, csd.CapacityBytes, structure, wantBytes)
	}
}

func common(c lab.CSDCommon) map[string]uint64 {
	return map[string]uint64{
		"TAAC": uint64(c.AccessTimeCode), "NSAC": uint64(c.AccessHundredClocks), "TRAN_SPEED": uint64(c.TransferRateCode),
		"CCC": uint64(c.CommandClasses), "READ_BL_LEN": uint64(c.ReadBlockLog2Bytes), "READ_BL_PARTIAL": bit(c.ReadBlockPartial),
		"WRITE_BLK_MISALIGN": bit(c.WriteBlockMisalign), "READ_BLK_MISALIGN": bit(c.ReadBlockMisalign),
		"DSR_IMP": bit(c.DriverStageRegister), "WP_GRP_ENABLE": bit(c.WriteProtectGroupEnabled), "R2W_FACTOR": uint64(c.WriteFactorLog2),
		"WRITE_BL_LEN": uint64(c.WriteBlockLog2Bytes), "WRITE_BL_PARTIAL": bit(c.WriteBlockPartial),
		"FILE_FORMAT_GRP": bit(c.FileFormatGroup), "COPY": bit(c.Copy), "PERM_WRITE_PROTECT": bit(c.PermanentWriteProtect),
		"TMP_WRITE_PROTECT": bit(c.TemporaryWriteProtect), "FILE_FORMAT": uint64(c.FileFormat),
	}
}

func erase(c lab.CSDErase) map[string]uint64 {
	return map[string]uint64{
		"ERASE_BLK_EN": bit(c.EraseBlockEnabled), "SECTOR_SIZE": uint64(c.EraseSectorBlocksLessOne),
		"WP_GRP_SIZE": uint64(c.WriteProtectGroupSectorsLessOne),
	}
}

func blocks(c lab.CSDBlocks) map[string]uint64 {
	return map[string]uint64{
		"C_SIZE": uint64(c.Size), "C_SIZE_MULT": uint64(c.SizeMultLog2), "VDD_R_CURR_MIN": uint64(c.ReadMinCurrent),
		"VDD_R_CURR_MAX": uint64(c.ReadMaxCurrent), "VDD_W_CURR_MIN": uint64(c.WriteMinCurrent), "VDD_W_CURR_MAX": uint64(c.WriteMaxCurrent),
	}
}

func bit(set bool) uint64 {
	if set {
		return 1
	}
	return 0
}

// number takes bytes as one number, the first of them the highest.
func number(b []byte) (n uint64) {
	for _, one := range b {
		n = n<<8 | uint64(one)
	}
	return n
}

// TestSamplesAreWhatTheirRegistersSay decodes the sound cards that the card lab invents.
func TestSamplesAreWhatTheirRegistersSay(t *testing.T) {
	for _, name := range lab.SampleNames() {
		set, err := lab.Sample(name)
		if err != nil {
			t.Fatal(err)
		}
		raw, err := identity.ReadFolder(set.Folder())
		if err != nil {
			t.Fatal(err)
		}
		card := identity.Decode(raw)
		if card.CID == nil || card.CID.Raw != hex.EncodeToString(set.CID) || card.CID.CRCOK == nil || !*card.CID.CRCOK {
			t.Errorf("%s: %+v", name, card.CID)
		}
		if card.Kind == identity.KindSD && card.CSD.CapacityBytes != set.SizeBytes {
			t.Errorf("%s: the CSD tells %d bytes, the device has %d", name, card.CSD.CapacityBytes, set.SizeBytes)
		}
	}
}
