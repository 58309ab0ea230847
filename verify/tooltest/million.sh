#!/usr/bin/env bash
# Makes an NTFS volume of many small files, by its own driver, for BenchmarkMillion:
#
#   verify/tooltest/million.sh IMAGE [FILES]     (as root; a million where FILES is left out)
#   FILEASSAY_MILLION=IMAGE go test -run '^$' -bench Million ./verify/tooltest
#
# Needs ntfs-3g, fuse and python3. The image is sparse; a million files take about 1.3 GiB of it.
set -euo pipefail

image=${1:?usage: million.sh IMAGE [FILES]}
files=${2:-1000000}
mount=$(mktemp -d)
cleanup() {
	if mountpoint -q "$mount"; then
		umount "$mount"
	fi
	rmdir "$mount"
}
trap cleanup EXIT

rm -f -- "$image"
truncate -s $((files * 2048 + (256 << 20))) "$image"
mkntfs -q -F -Q -T -L parish -s 512 -c 4096 -p 0 -H 255 -S 63 "$image"
# The driver stays our child, so that its end can be waited for: only then is the image whole.
ntfs-3g -o no_detach,noatime,big_writes "$image" "$mount" &
driver=$!
until mountpoint -q "$mount"; do
	kill -0 "$driver"
	sleep 0.1
done

# A thousand files a folder. Most fit into their record; one in fifty has clusters.
python3 - "$mount" "$files" <<'PY'
import os, sys, time

root, count = sys.argv[1].encode(), int(sys.argv[2])
body = bytes(range(32, 127)) * 64
began = time.time()
for i in range(count):
    if i % 1000 == 0:
        folder = root + b"/ledger %02d/sheaf %04d" % (i // 100000, i // 1000)
        os.makedirs(folder, exist_ok=True)
    size = 5000 if i % 50 == 0 else i * 7919 % 601
    fd = os.open(folder + b"/entry %07d of the register.txt" % i, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    if size:
        os.write(fd, body[:size])
    os.close(fd)
print(f"{count} files in {time.time() - began:.0f} s")
PY
umount "$mount"
wait "$driver"
ls -ls -- "$image"
