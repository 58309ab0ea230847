package volume

import (
	"fmt"

	"github.com/diskfs/go-diskfs/partition/gpt"
	"github.com/diskfs/go-diskfs/partition/mbr"
)

// partType is what a partition table's code for the content of a partition
// stands for.
type partType struct {
	name    string // in words
	noFiles bool   // a partition of the type holds no files
	// families are those whose readers are tried first, or what metadata is
	// expected.
	families []string
}

// lookUp finds a code in lists of codes of one type each; ok is false where none
// has it.
func lookUp[C comparable](code C, list []typeCodes[C]) (t partType, ok bool) {
	for _, e := range list {
		for _, c := range e.codes {
			if c == code {
				return e.partType, true
			}
		}
	}
	return partType{}, false
}

// typeCodes are the codes that a table has for a type.
type typeCodes[C comparable] struct {
	codes []C
	partType
}

// mbrType is what an MBR partition type stands for. The codes are common
// practice, no source; those that go-diskfs names are taken from it.
func mbrType(code byte) partType {
	fat := []string{"fat"}
	t, ok := lookUp(mbr.Type(code), []typeCodes[mbr.Type]{
		{[]mbr.Type{mbr.Fat12}, partType{"FAT12", false, fat}},
		{[]mbr.Type{mbr.Fat16, mbr.Fat16b}, partType{"FAT16", false, fat}},
		{[]mbr.Type{mbr.Fat16bLBA}, partType{"FAT16 (LBA)", false, fat}},
		{[]mbr.Type{mbr.Fat32CHS}, partType{"FAT32", false, fat}},
		{[]mbr.Type{mbr.Fat32LBA}, partType{"FAT32 (LBA)", false, fat}},
		{[]mbr.Type{mbr.NTFS}, partType{"NTFS or exFAT", false, []string{"ntfs", "exfat"}}},
		{[]mbr.Type{mbr.ExtendedCHS}, partType{"extended", true, nil}},
		{[]mbr.Type{mbr.ExtendedLBA}, partType{"extended (LBA)", true, nil}},
		{[]mbr.Type{mbr.LinuxExtended}, partType{"Linux extended", true, nil}},
		{[]mbr.Type{mbr.LinuxSwap}, partType{"Linux swap", true, nil}},
		{[]mbr.Type{mbr.Linux}, partType{"Linux", false, []string{"ext"}}},
		{[]mbr.Type{mbr.LinuxLVM}, partType{"Linux LVM", false, []string{lvmMember}}},
		{[]mbr.Type{mbr.HFS}, partType{"HFS or HFS+", false, []string{"hfsplus"}}},
		{[]mbr.Type{mbr.GPTProtective}, partType{"GPT protective", true, nil}},
		{[]mbr.Type{mbr.EFISystem}, partType{"EFI system", false, fat}},
		{[]mbr.Type{mbr.MacOSXBoot}, partType{"Apple boot", false, []string{"hfsplus"}}},
		{[]mbr.Type{mbr.MacOSXUFS}, partType{"Apple UFS", false, nil}},
		{[]mbr.Type{0x27}, partType{"recovery (hidden NTFS)", false, []string{"ntfs"}}},
		{[]mbr.Type{0x42}, partType{"dynamic disk", false, nil}},
		{[]mbr.Type{0xFD}, partType{"Linux RAID", false, []string{mdMember}}},
		{[]mbr.Type{0xA5, 0xA6, 0xA9}, partType{"BSD", false, nil}},
		{[]mbr.Type{0xE8}, partType{"LUKS", false, nil}},
	})
	switch {
	case ok:
		return t
	case code == 0x11, code == 0x14, code == 0x16, code == 0x17, code == 0x1B, code == 0x1C, code == 0x1E:
		t = mbrType(code &^ 0x10) // the hidden types are the plain ones with this bit
		t.name = "hidden " + t.name
		return t
	}
	return partType{name: fmt.Sprintf("type 0x%02X", code)}
}

// gptType is what a GPT partition type stands for. UEFI 5.3.3 defines the
// first; the others are their systems' own, as go-diskfs holds them.
func gptType(code string) partType {
	ext := []string{"ext"}
	t, ok := lookUp(gpt.Type(code), []typeCodes[gpt.Type]{
		{[]gpt.Type{gpt.EFISystemPartition}, partType{"EFI system", false, []string{"fat"}}},
		{[]gpt.Type{gpt.MBRPartitionScheme}, partType{"MBR partition scheme", false, nil}},
		{[]gpt.Type{gpt.BIOSBoot}, partType{"BIOS boot", true, nil}},
		{[]gpt.Type{gpt.MicrosoftReserved}, partType{"Microsoft reserved", true, nil}},
		{[]gpt.Type{gpt.MicrosoftBasicData}, partType{"Microsoft basic data", false, []string{"ntfs", "exfat", "fat"}}},
		{[]gpt.Type{gpt.MicrosoftLDMMetadata}, partType{"dynamic disk metadata", true, nil}},
		{[]gpt.Type{gpt.MicrosoftLDMData}, partType{"dynamic disk data", false, nil}},
		{[]gpt.Type{gpt.MicrosoftWindowsRecovery}, partType{"Windows recovery", false, []string{"ntfs"}}},
		{[]gpt.Type{gpt.MicrosoftStorageSpaces}, partType{"storage spaces", false, nil}},
		{[]gpt.Type{gpt.LinuxSwap}, partType{"Linux swap", true, nil}},
		{[]gpt.Type{gpt.LinuxFilesystem}, partType{"Linux filesystem", false, ext}},
		{[]gpt.Type{gpt.LinuxServerData}, partType{"Linux server data", false, ext}},
		{[]gpt.Type{gpt.LinuxRootX86, gpt.LinuxRootArm, gpt.LinuxRootX86_64, gpt.LinuxRootArm64}, partType{"Linux root", false, ext}},
		{[]gpt.Type{gpt.LinuxRootIA64}, partType{"Linux root", false, nil}},
		{[]gpt.Type{gpt.LinuxReserved}, partType{"Linux reserved", false, nil}},
		{[]gpt.Type{gpt.LinuxHome}, partType{"Linux home", false, ext}},
		{[]gpt.Type{gpt.LinuxRAID}, partType{"Linux RAID", false, []string{mdMember}}},
		{[]gpt.Type{gpt.LinuxExtendedBoot}, partType{"Linux boot", false, ext}},
		{[]gpt.Type{gpt.LinuxLVM}, partType{"Linux LVM", false, []string{lvmMember}}},
		{[]gpt.Type{gpt.LinuxDMCrypt, gpt.LinuxLUKS}, partType{"Linux encrypted", false, nil}},
		{[]gpt.Type{gpt.FreeBSDData, gpt.FreeBSDBoot, gpt.FreeBSDUFS, gpt.FreeBSDVinum}, partType{"FreeBSD", false, nil}},
		{[]gpt.Type{gpt.FreeBSDSwap}, partType{"FreeBSD swap", true, nil}},
		{[]gpt.Type{gpt.FreeBSDZFS}, partType{"FreeBSD ZFS", false, nil}},
		{[]gpt.Type{gpt.SolarisUsrAndAppleZFS}, partType{"ZFS", false, nil}},
		{[]gpt.Type{gpt.AppleHFS}, partType{"Apple HFS+", false, []string{"hfsplus"}}},
		{[]gpt.Type{gpt.AppleUFS}, partType{"Apple UFS", false, nil}},
		{[]gpt.Type{gpt.AppleAPFS}, partType{"Apple APFS", false, nil}},
		{[]gpt.Type{gpt.AppleRAID, gpt.AppleRAIDOffline}, partType{"Apple RAID", false, nil}},
		{[]gpt.Type{gpt.AppleBoot}, partType{"Apple boot", false, []string{"hfsplus"}}},
		{[]gpt.Type{gpt.AppleLabel}, partType{"Apple label", false, nil}},
		{[]gpt.Type{gpt.AppleCoreStorage}, partType{"Apple Core Storage", false, nil}},
	})
	if !ok {
		t.name = "type " + code
	}
	return t
}

// pooled reports whether the partition is of a dynamic disk, whose volumes are
// found in it by their own structures.
func (p *Partition) pooled() bool {
	return p.TypeCode == "0x42" || gpt.Type(p.TypeCode) == gpt.MicrosoftLDMData
}

// hints are the families to try first for a partition, by its type.
func (p *Partition) hints() []string {
	var code byte
	switch {
	case p.GUID != "":
		return gptType(p.TypeCode).families
	case p.TypeCode == "Apple_HFS", p.TypeCode == "Apple_HFSX":
		return []string{"hfsplus"}
	}
	if _, err := fmt.Sscanf(p.TypeCode, "0x%02X", &code); err != nil {
		return nil
	}
	return mbrType(code).families
}
