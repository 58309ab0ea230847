#!/usr/bin/env bash
# Makes ferry.img.zst, the image that the tests of the commands use: an MBR with one NTFS volume, written by ntfs-3g.
# The scenario, the office computer of a ferry pier, is invented. As root; needs sfdisk, ntfs-3g, fuse, zstd, python3.
set -euo pipefail
cd "$(dirname "$0")"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

truncate -s $(((6144 - 64) * 512)) "$work/volume"
mkntfs -q -F -Q -T -L PIER -c 4096 -p 64 -H 255 -S 63 "$work/volume"
mkdir "$work/mnt"
ntfs-3g -o no_detach,streams_interface=windows "$work/volume" "$work/mnt" &
driver=$!
until mountpoint -q "$work/mnt"; do
	kill -0 "$driver"
	sleep 0.1
done
python3 - "$work/mnt" <<'PY'
import os, random, sys
root, rnd = sys.argv[1], random.Random("ferry")
def put(path, size):
    full = os.path.join(root, path)
    os.makedirs(os.path.dirname(full), exist_ok=True)
    open(full, "wb").write(b"".join(b"%-40s%8d\n" % (path.encode(), i) for i in range(size // 49 + 1))[:size])
put("Timetable/summer.csv", 3100)
put("Timetable/winter.csv", 210)
put("Timetable/Häfen & Anleger.txt", 480)
for n in range(1, 9):
    put(f"Crossings/log {n:02}.txt", rnd.randrange(5000, 60000))
for n in range(2, 9, 3):
    os.remove(f"{root}/Crossings/log {n:02}.txt")
put("Charts/approach.dat", 150000)
put("Charts/approach.dat:notes", 900)
put("Charts/empty.dat", 0)
os.link(f"{root}/Timetable/summer.csv", f"{root}/Charts/summer copy.csv")
PY
umount "$work/mnt"
wait "$driver"
truncate -s $((6144 * 512)) "$work/ferry.img"
printf 'label: dos\nlabel-id: 0x0badcafe\nstart=64,size=%d,type=7\n' $((6144 - 64)) | sfdisk -q "$work/ferry.img"
dd status=none conv=notrunc,sparse bs=512 seek=64 if="$work/volume" of="$work/ferry.img"
zstd -q -f -19 "$work/ferry.img" -o ferry.img.zst
