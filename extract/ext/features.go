package ext

// Feature bits of the superblock. ext4: super, tables "compatible",
// "incompatible" and "read-only compatible" feature set.
const (
	compatJournal      = 0x4
	compatDirIndex     = 0x20
	compatSparseSuper2 = 0x200
	compatOrphanFile   = 0x1000

	incompatFiletype   = 0x2
	incompatRecover    = 0x4
	incompatJournalDev = 0x8
	incompatMetaBG     = 0x10
	incompatExtents    = 0x40
	incompat64Bit      = 0x80
	incompatMMP        = 0x100
	incompatFlexBG     = 0x200
	incompatEAInode    = 0x400
	incompatDirData    = 0x1000
	incompatCsumSeed   = 0x2000
	incompatLargeDir   = 0x4000
	incompatInlineData = 0x8000
	incompatEncrypt    = 0x10000
	incompatCasefold   = 0x20000

	// incompatKnown are the features whose meaning for files this package
	// knows. A volume with any other cannot be listed truthfully.
	incompatKnown = incompatFiletype | incompatRecover | incompatMetaBG | incompatExtents | incompat64Bit |
		incompatMMP | incompatFlexBG | incompatEAInode | incompatDirData | incompatCsumSeed | incompatLargeDir |
		incompatInlineData | incompatEncrypt | incompatCasefold

	roSparseSuper  = 0x1
	roLargeFile    = 0x2
	roHugeFile     = 0x8
	roGdtCsum      = 0x10
	roDirNlink     = 0x20
	roExtraIsize   = 0x40
	roQuota        = 0x100
	roBigalloc     = 0x200
	roMetadataCsum = 0x400
	roProject      = 0x2000
	roVerity       = 0x8000
	roOrphanOpen   = 0x10000
)

// ext4Only are features that neither ext2 nor ext3 has.
const (
	incompatExt4 = incompatExtents | incompat64Bit | incompatMMP | incompatFlexBG | incompatEAInode |
		incompatCsumSeed | incompatLargeDir | incompatInlineData | incompatEncrypt | incompatCasefold
	roExt4 = roHugeFile | roGdtCsum | roDirNlink | roExtraIsize | roQuota | roBigalloc | roMetadataCsum |
		roProject | roVerity | roOrphanOpen
)
