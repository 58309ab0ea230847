#!/usr/bin/env python3
"""Makes the small volumes of this folder: NAME.img.zst, and NAME.sums with what
the kernel reads from them: "sha256 size path" a file, "-> target path" a link,
"/ path" a folder. Needs root, mke2fs, debugfs, zstd and a kernel that mounts
ext4; run as  make.py [NAME ...].

The scenario is invented: the office of a survey of hedgerows."""
import hashlib, os, shutil, subprocess, sys, tempfile

HERE = os.path.dirname(os.path.abspath(__file__))


def run(*a, **k):
    return subprocess.run(a, check=True, capture_output=True, text=True, **k).stdout


def text(tag, size):
    """content that says what it is in every line, and packs well"""
    line = 0
    out = bytearray()
    while len(out) < size:
        out += b"%s hedge %06d hawthorn %d\n" % (tag.encode(), line, line * line % 97)
        line += 1
    return bytes(out[:size])


def put(root, path, data):
    p = os.path.join(root, path)
    os.makedirs(os.path.dirname(p), exist_ok=True)
    with open(p, "wb") as f:
        f.write(data)


def small(root, scale=1):
    put(root, "Maps/north field.txt", text("north", 5000 * scale))
    put(root, "Maps/empty", b"")
    put(root, "Maps/tiny", b"one line")
    put(root, "Maps/sixty.txt", text("sixty", 60))
    put(root, "Maps/hundred.txt", text("hundred", 130))
    put(root, "Counts/2011/weißdorn.csv", text("2011", 30000 * scale))
    put(root, "Counts/2012/long.csv", text("2012", 90000 * scale))
    p = os.path.join(root, "Counts/sparse.bin")
    with open(p, "wb") as f:
        f.write(text("head", 3000))
        f.seek(600000)
        f.write(text("tail", 3000))
        f.truncate(700001)
    for i in range(150):
        put(root, f"Photos/plot {i:03d} of the northern hedges.jpg", text(f"p{i}", 40 + i))
    os.symlink("../Maps/tiny", os.path.join(root, "Counts/short link"))
    os.symlink("x" * 50 + "/" + "y" * 60, os.path.join(root, "Counts/long link"))
    os.link(os.path.join(root, "Maps/tiny"), os.path.join(root, "Counts/second name"))
    os.mkfifo(os.path.join(root, "Counts/pipe"))
    os.makedirs(os.path.join(root, "a/b/c/d/e"), exist_ok=True)


def fragment(root):
    """a file of many extents: two that grow in turn"""
    a = open(os.path.join(root, "one"), "wb")
    b = open(os.path.join(root, "two"), "wb")
    for i in range(700):
        for f, tag in ((a, "one"), (b, "two")):
            f.write(text(f"{tag}{i}", 1024))
            f.flush()
            os.fsync(f.fileno())
    a.close(), b.close()


def holes(root):
    """every second block of a file, so that its tree has a depth of two"""
    with open(os.path.join(root, "comb"), "wb") as f:
        for i in range(900):
            f.seek(i * 2048)
            f.write(text(f"comb{i}", 1000))


def manifest(root):
    out = []
    for d, ds, fs in os.walk(root):
        ds.sort()
        for n in sorted(ds + fs):
            p = os.path.join(d, n)
            rel = os.path.relpath(p, root)
            if os.path.islink(p):
                out.append(f"-> {os.readlink(p)} {rel}")
            elif os.path.isdir(p):
                out.append(f"/ {rel}")
            elif os.path.isfile(p):
                b = open(p, "rb").read()
                out.append(f"{hashlib.sha256(b).hexdigest()} {len(b)} {rel}")
    return "\n".join(sorted(out)) + "\n"


def keep(name, img, sums):
    run("zstd", "-q", "-19", "-f", img, "-o", f"{HERE}/{name}.img.zst")
    open(f"{HERE}/{name}.sums", "w").write(sums)


class Mounted:
    def __init__(self, img, *opts):
        self.img, self.opts = img, opts

    def __enter__(self):
        self.dir = tempfile.mkdtemp(prefix="ext-", dir="/tmp/ext")
        run("mount", "-o", ",".join(("loop",) + self.opts), self.img, self.dir)
        return self.dir

    def __exit__(self, *a):
        run("umount", self.dir)
        os.rmdir(self.dir)


def make(name, size, args, fill, how="mount"):
    img = f"/tmp/ext/make-{name}.img"
    run("truncate", "-s", "0", img), run("truncate", "-s", size, img)
    base = ["mke2fs", "-q", "-F", "-U", "6a3f0c1e-55b1-4c0e-9d0e-0b7a2f6d4e11", "-E", "hash_seed=6a3f0c1e-55b1-4c0e-9d0e-0b7a2f6d4e12", "-L", "hedges"]
    if how == "mke2fs":  # block sizes that the kernel here cannot mount
        src = tempfile.mkdtemp(prefix="ext-", dir="/tmp/ext")
        fill(src)
        run(*base, *args, "-d", src, img)
        sums = manifest(src) + "/ lost+found\n"
        shutil.rmtree(src)
        keep(name, img, sums)
        return
    run(*base, *args, img)
    with Mounted(img) as m:
        fill(m)
        os.sync()
    with Mounted(img, "ro") as m:
        sums = manifest(m)
    keep(name, img, sums)


def pending(name, size, args, opts):
    """a copy of a volume in use, whose journal the kernel then replays to tell
    what is true of it"""
    img, cut = f"/tmp/ext/make-{name}.img", f"/tmp/ext/make-{name}-cut.img"
    run("truncate", "-s", "0", img), run("truncate", "-s", size, img)
    run("mke2fs", "-q", "-F", "-U", "6a3f0c1e-55b1-4c0e-9d0e-0b7a2f6d4e11", "-L", "hedges", *args, img)
    with Mounted(img, *opts) as m:
        small(m)
        os.sync()
        shutil.rmtree(m + "/Photos")         # revokes blocks of folders
        os.sync()
        for i in range(40):
            put(m, f"Later/sheet {i}.txt", text(f"later{i}", 900 * (i % 5)))
        os.rename(m + "/Maps/north field.txt", m + "/Later/south field.txt")
        # the journal's magic number at the start of a block
        put(m, "Later/magic.bin", b"\xc0\x3b\x39\x98" + text("magic", 5000))
        os.sync()
        put(m, "Later/last.txt", text("last", 7000))
        os.sync()
        run("cp", "--sparse=always", img, cut)
    keep(name, cut, "")
    with Mounted(cut) as m:  # not read-only, which would leave the journal
        keep_sums = manifest(m)
    open(f"{HERE}/{name}.sums", "w").write(keep_sums)


def fast():
    """a copy of a volume in use with fast commits behind its log, among them
    files that grow, come, go and move"""
    img, cut = "/tmp/ext/make-ext4-fast.img", "/tmp/ext/make-ext4-fast-cut.img"
    run("truncate", "-s", "0", img), run("truncate", "-s", "8M", img)
    run("mke2fs", "-q", "-F", "-t", "ext4", "-b", "1024", "-N", "256", "-O", "fast_commit", "-J", "size=1,fast_commit_size=16", "-L", "hedges", img)

    def synced(path, mode, data):
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with open(path, mode) as f:
            f.write(data)
            f.flush()
            os.fsync(f.fileno())

    with Mounted(img, "commit=600") as m:
        for i in range(20):
            put(m, f"Plots/sheet {i}.txt", text(f"sheet{i}", 300 * i))
        os.sync()
        for i in range(6):  # a round that the next transaction ends
            synced(m + f"/Plots/sheet {i}.txt", "ab", text("earlier", 900))
        put(m, "Plots/later.txt", text("later", 500))
        os.sync()
        synced(m + "/Plots/sheet 13.txt", "ab", text("appended", 5000))
        synced(m + "/Plots/new.txt", "wb", text("new", 3000))
        os.rename(m + "/Plots/sheet 14.txt", m + "/moved.txt")
        synced(m + "/moved.txt", "ab", b"moved")
        os.unlink(m + "/Plots/sheet 15.txt")
        synced(m + "/Plots/sheet 16.txt", "r+b", text("over", 700))
        run("cp", "--sparse=always", img, cut)
    keep("ext4-fast", cut, "")
    with Mounted(cut) as m:
        open(f"{HERE}/ext4-fast.sums", "w").write(manifest(m))


def grown():
    """a volume whose growth, and what was made in it since, stands in its journal:
    what resize2fs and the kernel changed of the metadata is written there by
    debugfs, and the kernel tells what is true of it"""
    small_, large, cut = (f"/tmp/ext/make-ext4-grown-{n}.img" for n in ("small", "large", "cut"))
    run("truncate", "-s", "0", small_), run("truncate", "-s", "12M", small_)
    run("mke2fs", "-q", "-F", "-t", "ext4", "-O", "^flex_bg", "-b", "1024", "-J", "size=1", "-L", "hedges", "-g", "2048", "-N", "512", "-E", "resize=20000", small_, "6M")
    with Mounted(small_) as m:
        for i in range(20):
            put(m, f"Plots/sheet {i}.txt", text(f"sheet{i}", 300 * i))
    shutil.copy(small_, large)
    run("resize2fs", "-f", large, "12M")
    with Mounted(large) as m:
        for i in range(600):  # more than the inodes of the old groups
            put(m, f"Later/sheet {i}.txt", text(f"later{i}", 400))
    old, new = open(small_, "rb").read(), open(large, "rb").read()
    data = set()
    for line in run("debugfs", "-R", "ls -p /Later", large).splitlines():
        f = line.split("/")
        if len(f) > 2 and f[2].startswith("100"):
            data |= set(run("debugfs", "-R", f"blocks <{f[1]}>", large).split())
    log = set(run("debugfs", "-R", "blocks <8>", large).split())
    differ = [b for b in range(len(new) // 1024) if old[b << 10:b + 1 << 10] != new[b << 10:b + 1 << 10] and str(b) not in log]
    meta = [b for b in differ if str(b) not in data]
    with open("/tmp/ext/make-blocks", "wb") as f:
        f.write(b"".join(new[b << 10:b + 1 << 10] for b in meta))
    script = "jo -c\njw -b %s /tmp/ext/make-blocks\njc\n" % ",".join(map(str, meta))
    run("debugfs", "-w", "-f", "/dev/stdin", large, input=script)
    new = open(large, "rb").read()
    out = bytearray(old)
    for b in [int(b) for b in data | log]:
        out[b << 10:b + 1 << 10] = new[b << 10:b + 1 << 10]
    open(cut, "wb").write(out)
    run("debugfs", "-w", "-R", "feature needs_recovery", cut)
    keep("ext4-grown", cut, "")
    with Mounted(cut):  # replays the journal, with the number of groups that was before it
        pass
    with Mounted(cut) as m:
        open(f"{HERE}/ext4-grown.sums", "w").write(manifest(m))


CASES = {
    "ext4-fast": fast,
    "ext4-grown": grown,
    "ext2-1k": lambda: make("ext2-1k", "4M", ["-t", "ext2", "-b", "1024", "-I", "128", "-N", "512"], lambda m: (small(m), holes(m))),
    "ext3-4k": lambda: make("ext3-4k", "12M", ["-t", "ext3", "-b", "4096", "-J", "size=4"], small),
    "ext4-1k": lambda: make("ext4-1k", "12M", ["-t", "ext4", "-b", "1024", "-g", "2048", "-N", "1024", "-J", "size=1"], lambda m: (small(m), holes(m), fragment(m))),
    "ext4-inline": lambda: make("ext4-inline", "8M", ["-t", "ext4", "-O", "inline_data,^has_journal", "-b", "1024", "-I", "256", "-N", "512"], small),
    "ext4-nocsum": lambda: make("ext4-nocsum", "8M", ["-t", "ext4", "-O", "^metadata_csum,uninit_bg,^64bit,^has_journal", "-b", "1024", "-g", "2048", "-N", "1024"], lambda m: (small(m), holes(m))),
    "ext4-metabg": lambda: make("ext4-metabg", "40M", ["-t", "ext4", "-O", "meta_bg,^resize_inode,^has_journal,^flex_bg", "-b", "1024", "-g", "1024", "-N", "2048"], small),
    "ext4-bigalloc": lambda: make("ext4-bigalloc", "24M", ["-t", "ext4", "-O", "bigalloc,^has_journal", "-b", "1024", "-C", "16384", "-N", "512"], small),
    "ext4-super2": lambda: make("ext4-super2", "12M", ["-t", "ext4", "-O", "sparse_super2,^resize_inode,^has_journal", "-b", "1024", "-g", "2048", "-N", "512"], small),
    "ext4-64k": lambda: make("ext4-64k", "16M", ["-t", "ext4", "-b", "65536", "-O", "^has_journal", "-N", "256"], small, "mke2fs"),
    "ext4-bigino": lambda: make("ext4-bigino", "8M", ["-t", "ext4", "-O", "inline_data,metadata_csum_seed,^has_journal", "-b", "4096", "-I", "1024", "-N", "256"], small),
    "ext4-notype": lambda: make("ext4-notype", "8M", ["-t", "ext4", "-O", "^filetype,metadata_csum,^has_journal", "-b", "1024", "-N", "512"], small),
    "ext4-journal": lambda: pending("ext4-journal", "12M", ["-t", "ext4", "-b", "1024", "-J", "size=4"], ["commit=600"]),
    "ext4-journal-data": lambda: pending("ext4-journal-data", "12M", ["-t", "ext4", "-b", "1024", "-J", "size=4"], ["commit=600", "data=journal"]),
    "ext3-journal": lambda: pending("ext3-journal", "12M", ["-t", "ext3", "-b", "1024", "-J", "size=4"], ["commit=600"]),
}

if __name__ == "__main__":
    os.makedirs("/tmp/ext", exist_ok=True)
    for n in sys.argv[1:] or CASES:
        CASES[n]()
        print(n, os.path.getsize(f"{HERE}/{n}.img.zst"), len(open(f"{HERE}/{n}.sums").read().splitlines()))
