#!/usr/bin/env bash
# Measures extract against what else there is: cp -a from the mounted image, and sha256sum of the copy. Side by side in one
# run, on an ext4 and an NTFS image of many small files and a few large ones, each with cold caches, until all is on the disk.
#
#   verify/delivery/speed.sh FOLDER [MEGABYTES]     (as root; 2048 where MEGABYTES is left out; FOLDER needs five times that)
#
# Needs e2fsprogs, ntfs-3g, fuse and python3.
set -euo pipefail

folder=${1:?usage: speed.sh FOLDER [MEGABYTES]}
size=${2:-2048}
cd "$(dirname "$0")/../.."
go build -o "$folder/fileassay" ./cmd/fileassay
cd "$folder"
mkdir -p mount
cleanup() {
	if mountpoint -q mount; then
		umount mount
	fi
}
trap cleanup EXIT

fill() {
	python3 - "$size" <<'PY'
import os, random, sys

rnd = random.Random(1)
room = int(sys.argv[1]) << 20
small = room // 4          # a quarter in small files, the rest in a few large ones
pool = rnd.randbytes(8 << 20)
n = 0
while small > 0:
    folder = f"mount/papers {n // 400:04d}"
    os.makedirs(folder, exist_ok=True)
    size = rnd.choice((900, 4000, 9000, 20000, 60000, 150000))
    at = rnd.randrange(len(pool) - size)
    with open(f"{folder}/sheet {n:06d}.txt", "wb") as f:
        f.write(pool[at:at + size])
    small -= size
    n += 1
for i in range(6):
    with open(f"mount/film {i}.mov", "wb") as f:
        for _ in range(room * 3 // 4 // 6 >> 20):
            at = rnd.randrange(len(pool) - (1 << 20))
            f.write(pool[at:at + (1 << 20)])
print(f"{n} small files, 6 large ones, {room >> 20} MiB")
PY
}

cold() {
	sync
	echo 3 >/proc/sys/vm/drop_caches
}

seconds() { # of a command
	local began
	began=$(date +%s%N)
	"$@" >/dev/null
	echo $((($(date +%s%N) - began) / 1000000))
}

copy() {
	cp -a mount copy
	find copy -type f -print0 | xargs -0 sha256sum >sums
	sync -f copy
}

for kind in ext4 ntfs; do
	rm -rf "$kind.img" "$kind.jsonl" copy delivery
	truncate -s $((size * 5 / 4 + 64))M "$kind.img"
	driver=
	if [ "$kind" = ext4 ]; then
		mkfs.ext4 -q -F -m 0 "$kind.img"
		mount -o loop "$kind.img" mount
	else
		mkntfs -q -F -Q -T "$kind.img" 2>/dev/null
		ntfs-3g -o no_detach,noatime,big_writes "$kind.img" mount >/dev/null 2>&1 &
		driver=$!
		until mountpoint -q mount; do sleep 0.1; done
	fi
	fill
	umount mount
	if [ -n "$driver" ]; then wait "$driver"; fi
	./fileassay verify "$kind.img" --assume-read --result "$kind.jsonl" --quiet
	if [ "$kind" = ext4 ]; then
		mount -o loop,ro "$kind.img" mount
	else
		ntfs-3g -o no_detach,ro "$kind.img" mount >/dev/null 2>&1 &
		driver=$!
		until mountpoint -q mount; do sleep 0.1; done
	fi
	cold
	theirs=$(seconds copy)
	umount mount
	if [ -n "$driver" ]; then wait "$driver"; fi
	cold
	ours=$(seconds ./fileassay extract "$kind.img" "$kind.jsonl" --to delivery --quiet)
	# the same digests, but for the copy's root
	if [ "$(awk '{print $1}' sums | sort | sha256sum)" != "$(awk '{print $1}' delivery/manifest-sha256.txt | sort | sha256sum)" ]; then
		echo "$kind: the two copies differ"
		exit 1
	fi
	echo "$kind: cp -a and sha256sum $theirs ms, extract $ours ms, ratio $(python3 -c "print(f'{$theirs / $ours:.2f}')")"
	rm -rf copy delivery "$kind.img" "$kind.jsonl" sums
done
