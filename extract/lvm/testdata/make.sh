#!/bin/sh
# Makes office.img.zst: a physical volume of 40 MiB as lvm2's own tools write
# it, in a scenario of our own. Needs root, lvm2, zstd; no device mapper.
set -e
W=${TMPDIR:-/tmp}/office.img
rm -f "$W"; truncate -s 40M "$W"
L=$(losetup -f --show "$W")
trap 'losetup -d "$L"' EXIT
export DM_DISABLE_UDEV=1 LVM_SUPPRESS_FD_WARNINGS=1
C="devices{filter=[\"a|$L|\",\"r|.*|\"] use_devicesfile=0}"
l() { c=$1; shift; "$c" --driverloaded n --config "$C" "$@" 2>/dev/null; }
l pvcreate -ff -y -u 3fXh2a-0000-1111-2222-3333-4444-abcdef --norestorefile "$L"
l vgcreate -s 1M office "$L"
new() { l lvcreate -an -Zn -Wn -y -n "$1" -L "$2" office; }
new first 8M; new gone 4M; new second 10M
l lvremove -y office/gone
l lvextend -L+2M office/first        # takes up the room behind it: one piece
new third 3M
l lvextend -L+4M office/second       # 2 extents before it are free, so: two pieces
l pvdisplay -m "$L"
sync
zstd -q -19 -f "$W" -o "$(dirname "$0")/office.img.zst"
