#!/usr/bin/env python3
"""Makes the demo's image and map: verify/demo/image.zst and verify/demo/map.csv.

usage: testdata/demo/make.py   (root; needs ntfs-3g, setfattr, zstd and go; run at the module's root)

The scenario is invented: the office computer of a bell foundry, whose drive was dropped. The volume is written by
ntfs-3g, so that it is a real one; where every file lies is then asked of `fileassay verify --assume-read`, and the map
is laid so that every verdict and every reason appears. Nothing is made unreadable in the image itself: what stands in
unread sectors is overwritten with a text that says so, and must not show in any result.
"""
import heapq, json, os, random, struct, subprocess, sys, tempfile

SIZE, CLUSTER, RECORD = 12 << 20, 4096, 1024
rnd = random.Random(1746)


def run(*cmd, **kw):
    return subprocess.run(cmd, check=True, capture_output=True, text=True, **kw).stdout


def prose(topic, n):
    words = "bell mould core cope clay loam bronze tin furnace pour cooling strike tone hum prime tierce quint nominal lathe shoulder lip crown canon clapper yoke frame".split()
    out, line = [f"{topic}\n"], 0
    while sum(map(len, out)) < n:
        line += 1
        out.append(f"{line:4}  " + " ".join(rnd.choice(words) for _ in range(9)) + "\n")
    return "".join(out).encode()[:n]


def xpress(chunk):
    """A chunk in XPRESS Huffman form [MS-XCA 2.1]: literals only, with a canonical code made for it."""
    heap = [(chunk.count(c), c, (c,)) for c in sorted(set(chunk))] + [(1, 256, (256,))]  # 256 ends the data
    length = dict.fromkeys((s for _, _, (s,) in heap), 0)
    heapq.heapify(heap)
    while len(heap) > 1:
        a, b = heapq.heappop(heap), heapq.heappop(heap)
        for s in a[2] + b[2]:
            length[s] += 1
        heapq.heappush(heap, (a[0] + b[0], min(a[1], b[1]), a[2] + b[2]))
    if max(length.values()) > 15:
        raise SystemExit("a code is too long")
    table, codes, code, last = bytearray(256), {}, 0, 0
    for s in sorted(length, key=lambda s: (length[s], s)):
        code <<= length[s] - last
        codes[s], last = f"{code:0{length[s]}b}", length[s]
        code += 1
        table[s // 2] |= length[s] << 4 * (s % 2)
    bits = "".join(codes[c] for c in chunk) + codes[256]
    bits += "0" * (-len(bits) % 16 + 16)
    words = [int(bits[i:i + 16], 2) for i in range(0, len(bits), 16)]
    return bytes(table) + struct.pack(f"<{len(words)}H", *words)


def system_compressed(data):
    """The stream of a file in the system's own compression: the ends of all chunks but the last, then the chunks."""
    chunks = [min(xpress(c), c, key=len) for c in (data[i:i + 4096] for i in range(0, len(data), 4096))]
    offsets = [sum(map(len, chunks[:k])) for k in range(1, len(chunks))]
    return struct.pack(f"<{len(offsets)}I", *offsets) + b"".join(chunks)


def reparse(top, path, tag, data):
    os.setxattr(f"{top}/{path}", "system.ntfs_reparse_data", struct.pack("<IHH", tag, len(data), 0) + data)


def fill(top):
    def put(path, data, when=1_556_000_000):
        full = os.path.join(top, path)
        os.makedirs(os.path.dirname(full), exist_ok=True)
        with open(full, "wb") as f:
            f.write(data)
        os.utime(full, (when, when))
    for year in (2016, 2017, 2018):
        for k in range(1, 9):
            put(f"Castings/{year}/pour {k:02}.txt", prose(f"Pour {k} of {year}", 380 + 37 * k), 1_460_000_000 + year % 100 * 1_000_000 + k * 86_400)
    for k in range(1, 7):
        put(f"Photos/Tower of Eastmere/belfry {k}.jpg", rnd.randbytes(18_000 + 3_000 * k), 1_500_000_000 + k * 3_600)
    for k in range(1, 5):
        put(f"Tuning/spectrum {k}.csv", prose(f"spectrum {k}", 42_000 + 9_000 * k))
    put("Office/Orders 2018.csv", prose("orders", 23_456))
    put("Office/Pattern book.pdf", prose("pattern book", 91_000))
    put("Office/empty note.txt", b"")
    for k in range(1, 4):
        put(f"Old computer/Attic/letter {k}.txt", prose(f"letter {k}", 900 * k))
    put("Office/Läutewerk über Österwald.txt", prose("Läutewerk", 5_000))
    put("Office/Accounts/ledger.db", prose("ledger", 61_440))
    put("Office/Accounts/ledger backup.db", prose("ledger backup", 61_440))
    os.link(f"{top}/Office/Orders 2018.csv", f"{top}/Castings/Orders 2018 (same file).csv")
    with open(f"{top}/Office/Orders 2018.csv:remarks", "wb") as f:
        f.write(b"seen by the foreman")
    os.symlink("../Office/Pattern book.pdf", f"{top}/Tuning/pattern book (link).pdf")
    with open(f"{top}/Tuning/hum tone.raw", "wb") as f:      # sparse
        f.write(prose("head", 8_192))
        f.seek(400_000)
        f.write(prose("tail", 8_192))
    # written into gaps of one cluster: in many pieces, with further records
    free = os.statvfs(top)
    with open(f"{top}/reserve", "wb") as f:
        for _ in range(free.f_bavail - 1_150):
            f.write(bytes(CLUSTER))
    gaps = []
    try:
        for k in range(1_200):
            with open(f"{top}/gap {k}", "wb") as f:
                f.write(bytes(CLUSTER))
                gaps.append(f.name)
    except OSError:                                          # the volume is full, as it should be
        pass
    for name in gaps[::2]:
        os.remove(name)
    with open(f"{top}/Office/mail archive.mbox", "wb", buffering=0) as f:
        for k in range(420):
            f.write(prose(f"letter {k}", CLUSTER))
    for name in gaps[1::2] + [f"{top}/reserve"]:
        os.remove(name)
    if os.path.exists(f"{top}/gap {len(gaps)}"):
        os.remove(f"{top}/gap {len(gaps)}")
    os.makedirs(f"{top}/Packed")
    os.setxattr(f"{top}/Packed", "system.ntfs_attrib", struct.pack("<I", 0x810))  # new files in it are compressed
    put("Packed/inventory.txt", prose("inventory", 180_000))
    put("Packed/price list.txt", prose("prices", 70_000))
    # two files in the system's own compression, XPRESS in chunks of 4096 bytes [MS-FSCC 2.1.2.1, tag 0x80000017]
    for name in ("quotation tool.exe", "quotation tool.dat"):
        data = prose(name, 30_000)
        put(f"Programs/{name}", b"")
        os.truncate(f"{top}/Programs/{name}", len(data))
        with open(f"{top}/Programs/{name}:WofCompressedData", "wb") as f:
            f.write(system_compressed(data))
        reparse(top, f"Programs/{name}", 0x80000017, struct.pack("<4I", 1, 2, 1, 0))
    # a junction [MS-FSCC 2.1.2.5]
    os.makedirs(f"{top}/Tuning/archive")
    old, shown = "\\??\\D:\\Archive".encode("utf-16le"), "D:\\Archive".encode("utf-16le")
    reparse(top, "Tuning/archive", 0xA0000003, struct.pack("<4H", 0, len(old), len(old) + 2, len(shown)) + old + bytes(2) + shown + bytes(2))
    # an encrypted file, as a backup that cannot decrypt it would write it back: whole sectors, then how many bytes of
    # the last are padding
    put("Office/Accounts/salaries.ods", rnd.randbytes(24_064) + struct.pack("<H", 100))
    os.setxattr(f"{top}/Office/Accounts/salaries.ods", "user.ntfs.efsinfo", struct.pack("<4I", 600, 0, 2, 0) + rnd.randbytes(584))
    # content kept by a cloud service: never on this drive [MS-FSCC 2.1.2.1]
    put("Cloud/drawings 2019.zip", b"")
    os.truncate(f"{top}/Cloud/drawings 2019.zip", 250_000)
    reparse(top, "Cloud/drawings 2019.zip", 0x9000001A, bytes(16))


def main():
    with tempfile.TemporaryDirectory() as tmp:
        img, mnt, tool = f"{tmp}/image.img", f"{tmp}/mnt", f"{tmp}/fileassay"
        run("go", "build", "-o", tool, "./cmd/fileassay")
        with open(img, "wb") as f:
            f.truncate(SIZE)
        run("mkntfs", "-F", "-q", "-Q", "-c", str(CLUSTER), "-L", "FOUNDRY", img)
        os.mkdir(mnt)
        run("ntfs-3g", "-o", "streams_interface=windows,compression,big_writes,efs_raw", img, mnt)
        try:
            fill(mnt)
        finally:
            run("umount", mnt)
        # -- where everything lies
        subprocess.run([tool, "verify", img, "--assume-read", "--result", f"{tmp}/r.jsonl", "--quiet"], check=False)
        recs = [json.loads(x) for x in open(f"{tmp}/r.jsonl")]
        files = {r["path"]: r for r in recs if r["type"] == "file"}
        with open(img, "rb") as f:
            data = bytearray(f.read())
        mft = struct.unpack_from("<Q", data, 48)[0] * CLUSTER
        bad = {}

        def hit(at, n, state):
            for s in range(at // 512, (at + n + 511) // 512):
                bad[s] = state

        def content(path, off, n, state):
            for fo, io, ln in files[path]["extents"]:
                a, z = max(off, fo), min(off + n, fo + ln)
                if a < z:
                    hit(io + a - fo, z - a, state)

        def record(path_or_number, sectors=(0, 1)):
            n = path_or_number if isinstance(path_or_number, int) else files[path_or_number]["id"]
            at = record_at(n)
            for k in sectors:
                hit(at + 512 * k, 512, "failed")

        def record_at(n):
            at = data.find(b"FILE")
            while at >= 0:
                if at % 512 == 0 and struct.unpack_from("<I", data, at + 0x2C)[0] == n and (n >= 4 or at < 1 << 20):
                    return at
                at = data.find(b"FILE", at + 1)
            raise SystemExit(f"record {n} not found")

        def index_block(path):
            for at in range(0, SIZE, CLUSTER):
                if data[at:at + 4] == b"INDX":
                    first = at + 0x18 + struct.unpack_from("<I", data, at + 0x18)[0]
                    if struct.unpack_from("<I", data, first + 0x10)[0] == files[path]["id"]:
                        return at
            raise SystemExit(f"{path} has no block of names")

        hit(0, 512, "failed")                                                       # the boot sector: its copy serves
        hit(mft, 2 * RECORD, "failed")                                              # first records: the mirror serves
        content("Photos/Tower of Eastmere/belfry 2.jpg", 8_192, 1_024, "failed")    # damaged
        content("Photos/Tower of Eastmere/belfry 3.jpg", 0, 1 << 20, "skipped")     # lost, not tried yet
        content("Photos/Tower of Eastmere/belfry 4.jpg", 4_096, 512, "doubtful")    # the drive did not vouch for it
        content("Tuning/spectrum 2.csv", 50_000, 4_096, "skipped")                  # damaged, not tried yet
        content("Packed/inventory.txt", 65_536, 512, "failed")                      # one sector takes a whole unit
        content("Programs/quotation tool.dat", 9_000, 1, "failed")                  # one sector takes a chunk or two
        record("Castings/2017/pour 03.txt", (1,))                                   # second sector: keeps its name
        record("Castings/2017/pour 05.txt")                                         # known by name from its folder
        record("Castings/2018")                                                     # a folder: its files keep their path
        hit(index_block("Castings/2016") + 512, 512, "failed")                      # a folder's own list of names
        record("Old computer")                                                      # with the next one, a folder whose
        record("Old computer/Attic")                                                # name is lost: its files are under ?/
        e = files["Office/Pattern book.pdf"]["extents"][-1]                         # slack: damages nothing
        hit((e[1] + e[2] + 511) // 512 * 512, 512, "failed")
        # a further record of the mail archive: just its part of the extents is unlocated
        n = files["Office/mail archive.mbox"]["id"]
        further = [struct.unpack_from("<I", data, at + 0x2C)[0] for at in range(0, len(data), 512)
                   if data[at:at + 4] == b"FILE" and struct.unpack_from("<I", data, at + 0x20)[0] == n and data[at + 0x16] & 1]
        record(further[-1])
        hit(SIZE - (1 << 20), 65_536, "skipped")                                    # free space
        text = b"This sector was not read. Whatever stands here must not matter. ".ljust(64, b".") * 8
        with open("verify/demo/map.csv", "w") as m:
            m.write("# imaging map of the demo: which sectors of the drive were read\nstart,length,state\n")
            s, total = 0, SIZE // 512
            while s < total:
                z = s
                while z < total and bad.get(z, "read") == bad.get(s, "read"):
                    z += 1
                m.write(f"{s * 512},{(z - s) * 512},{bad.get(s, 'read')}\n")
                s = z
        for s, state in bad.items():
            data[s * 512:(s + 1) * 512] = text[:512]
        with open(img, "wb") as f:
            f.write(data)
        run("zstd", "-19", "-q", "-f", img, "-o", "verify/demo/image.zst")
        print(os.path.getsize("verify/demo/image.zst"), "bytes compressed;", len(bad), "unread sectors; further records", further)


main()
