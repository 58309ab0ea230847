package volume

import (
	"fmt"

	"github.com/diskfs/go-diskfs/partition/gpt"
	"github.com/diskfs/go-diskfs/partition/mbr"
)

// mbrTypeName says in words what an MBR partition type stands for. The codes
// are common practice, no source; those that go-diskfs names are taken from it.
func mbrTypeName(t byte) string {
	switch mbr.Type(t) {
	case mbr.Fat12:
		return "FAT12"
	case mbr.Fat16, mbr.Fat16b:
		return "FAT16"
	case mbr.Fat16bLBA:
		return "FAT16 (LBA)"
	case mbr.Fat32CHS:
		return "FAT32"
	case mbr.Fat32LBA:
		return "FAT32 (LBA)"
	case mbr.NTFS:
		return "NTFS or exFAT"
	case mbr.ExtendedCHS:
		return "extended"
	case mbr.ExtendedLBA:
		return "extended (LBA)"
	case mbr.LinuxExtended:
		return "Linux extended"
	case mbr.LinuxSwap:
		return "Linux swap"
	case mbr.Linux:
		return "Linux"
	case mbr.LinuxLVM:
		return "Linux LVM"
	case mbr.HFS:
		return "HFS or HFS+"
	case mbr.GPTProtective:
		return "GPT protective"
	case mbr.EFISystem:
		return "EFI system"
	case mbr.MacOSXBoot:
		return "Apple boot"
	case mbr.MacOSXUFS:
		return "Apple UFS"
	}
	switch t {
	case 0x27:
		return "recovery (hidden NTFS)"
	case 0x42:
		return "dynamic disk"
	case 0x11, 0x14, 0x16, 0x1B, 0x1C, 0x1E, 0x17:
		return "hidden " + mbrTypeName(t&0x0F)
	case 0xFD:
		return "Linux RAID"
	case 0xA5, 0xA6, 0xA9:
		return "BSD"
	case 0xE8:
		return "LUKS"
	}
	return fmt.Sprintf("type 0x%02X", t)
}

// mbrTypeNoFiles reports whether a partition of the type holds no files.
func mbrTypeNoFiles(t byte) bool {
	switch mbr.Type(t) {
	case mbr.LinuxSwap, mbr.GPTProtective, mbr.ExtendedCHS, mbr.ExtendedLBA, mbr.LinuxExtended:
		return true
	}
	return false
}

// mbrTypeHints are the families whose readers are tried first, or what metadata
// is expected.
func mbrTypeHints(t byte) []string {
	switch t &^ 0x10 { // the hidden types are the plain ones with this bit
	case 0x01, 0x04, 0x06, 0x0B, 0x0C, 0x0E:
		return []string{"fat"}
	case 0x07:
		return []string{"ntfs", "exfat"}
	}
	switch t {
	case 0x27:
		return []string{"ntfs"}
	case 0x83:
		return []string{"ext"}
	case 0xAF, 0xAB:
		return []string{"hfsplus"}
	case 0xEF:
		return []string{"fat"}
	case 0x8E:
		return []string{lvmMember}
	case 0xFD:
		return []string{mdMember}
	}
	return nil
}

// gptTypeName says in words what a GPT partition type stands for. UEFI 5.3.3
// defines the first; the others are their systems' own, as go-diskfs holds them.
func gptTypeName(g string) string {
	switch gpt.Type(g) {
	case gpt.EFISystemPartition:
		return "EFI system"
	case gpt.MBRPartitionScheme:
		return "MBR partition scheme"
	case gpt.BIOSBoot:
		return "BIOS boot"
	case gpt.MicrosoftReserved:
		return "Microsoft reserved"
	case gpt.MicrosoftBasicData:
		return "Microsoft basic data"
	case gpt.MicrosoftLDMMetadata:
		return "dynamic disk metadata"
	case gpt.MicrosoftLDMData:
		return "dynamic disk data"
	case gpt.MicrosoftWindowsRecovery:
		return "Windows recovery"
	case gpt.MicrosoftStorageSpaces:
		return "storage spaces"
	case gpt.LinuxSwap:
		return "Linux swap"
	case gpt.LinuxFilesystem:
		return "Linux filesystem"
	case gpt.LinuxServerData:
		return "Linux server data"
	case gpt.LinuxRootX86, gpt.LinuxRootArm, gpt.LinuxRootX86_64, gpt.LinuxRootArm64, gpt.LinuxRootIA64:
		return "Linux root"
	case gpt.LinuxReserved:
		return "Linux reserved"
	case gpt.LinuxHome:
		return "Linux home"
	case gpt.LinuxRAID:
		return "Linux RAID"
	case gpt.LinuxExtendedBoot:
		return "Linux boot"
	case gpt.LinuxLVM:
		return "Linux LVM"
	case gpt.LinuxDMCrypt, gpt.LinuxLUKS:
		return "Linux encrypted"
	case gpt.FreeBSDData, gpt.FreeBSDBoot, gpt.FreeBSDUFS, gpt.FreeBSDVinum:
		return "FreeBSD"
	case gpt.FreeBSDSwap:
		return "FreeBSD swap"
	case gpt.FreeBSDZFS:
		return "FreeBSD ZFS"
	case gpt.SolarisUsrAndAppleZFS:
		return "ZFS"
	case gpt.AppleHFS:
		return "Apple HFS+"
	case gpt.AppleUFS:
		return "Apple UFS"
	case gpt.AppleAPFS:
		return "Apple APFS"
	case gpt.AppleRAID, gpt.AppleRAIDOffline:
		return "Apple RAID"
	case gpt.AppleBoot:
		return "Apple boot"
	case gpt.AppleLabel:
		return "Apple label"
	case gpt.AppleCoreStorage:
		return "Apple Core Storage"
	}
	return "type " + g
}

// gptTypeNoFiles reports whether a partition of the type holds no files.
func gptTypeNoFiles(g string) bool {
	switch gpt.Type(g) {
	case gpt.BIOSBoot, gpt.MicrosoftReserved, gpt.LinuxSwap, gpt.FreeBSDSwap, gpt.MicrosoftLDMMetadata:
		return true
	}
	return false
}

// gptTypeHints are the families whose readers are tried first, or what metadata
// is expected.
func gptTypeHints(g string) []string {
	switch gpt.Type(g) {
	case gpt.MicrosoftBasicData:
		return []string{"ntfs", "exfat", "fat"}
	case gpt.MicrosoftWindowsRecovery:
		return []string{"ntfs"}
	case gpt.EFISystemPartition:
		return []string{"fat"}
	case gpt.AppleHFS, gpt.AppleBoot:
		return []string{"hfsplus"}
	case gpt.LinuxFilesystem, gpt.LinuxServerData, gpt.LinuxHome, gpt.LinuxExtendedBoot,
		gpt.LinuxRootX86, gpt.LinuxRootArm, gpt.LinuxRootX86_64, gpt.LinuxRootArm64:
		return []string{"ext"}
	case gpt.LinuxLVM:
		return []string{lvmMember}
	case gpt.LinuxRAID:
		return []string{mdMember}
	}
	return nil
}

// pooled reports whether the partition is of a dynamic disk, whose volumes are
// found in it by their own structures.
func (p *Partition) pooled() bool {
	return p.TypeCode == "0x42" || gpt.Type(p.TypeCode) == gpt.MicrosoftLDMData
}

// hints are the families to try first for a partition, by its type.
func (p *Partition) hints() []string {
	if p.GUID != "" {
		return gptTypeHints(p.TypeCode)
	}
	var t byte
	if _, err := fmt.Sscanf(p.TypeCode, "0x%02X", &t); err != nil {
		if p.TypeCode == "Apple_HFS" || p.TypeCode == "Apple_HFSX" {
			return []string{"hfsplus"}
		}
		return nil
	}
	return mbrTypeHints(t)
}
