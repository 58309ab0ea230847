// The list of files in the page: it unpacks the columns that the page carries (report/pack.go tells their form),
// and shows them as a tree of folders and a table, of which only the rows in sight are in the document.
"use strict";
(() => {
document.documentElement.classList.add("script");
const $ = (id) => document.getElementById(id);
const VERDICTS = ["intact", "damaged", "lost"];
const KINDS = [...$("kind").options].slice(1).map((o) => o.text);
// the notes of a row, by bit; report/page.go fills them in
const NOTES = "%NOTES%";
const SVG = "http://www.w3.org/2000/svg";

// ---- texts ----

// visible shows what has no glyph or moves its neighbours as escapes, as verify/shown does.
const UNSEEN = /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Noncharacter_Code_Point}]/gu;
const visible = (s) => s.replace(UNSEEN, (c) => {
  const n = c.codePointAt(0);
  return n > 0xffff ? "\\U" + n.toString(16).padStart(8, "0") : "\\u" + n.toString(16).padStart(4, "0");
});
// fold makes a text as searches compare it: small letters, an accent joined to its letter however the drive wrote it
// down, and one form of those letters that have two.
const fold = (s) => s.normalize("NFC").replaceAll("\u0130", "i").toLowerCase().replaceAll("\u03c2", "\u03c3");
const comma = (n) => String(n).replace(/\B(?=(\d{3})+$)/g, ",");
const count = (n, one, many) => n === 1 ? "1 " + one : comma(n) + " " + many;

// size writes bytes as the rest of the page does.
function size(n) {
  if (n < 1024) return n + " B";
  let e = 0, v = n;
  while (v >= 1024 && e < 6) { v /= 1024; e++; }
  v = Math.floor(v * 10 + 0.5) / 10;
  return (v < 10 ? v.toFixed(1) : v.toFixed(0)) + " " + ["B", "KiB", "MiB", "GiB", "TiB", "PiB", "EiB"][e];
}

function date(seconds, long) {
  const d = new Date(seconds * 1000);
  if (isNaN(d)) return "";
  const s = d.toISOString();
  const at = s.indexOf("T");
  return s.slice(0, at) + " " + s.slice(at + 1, at + (long ? 9 : 6));
}

// bytes reads a size that a person typed; NaN where it is none, null where nothing stands.
function bytes(text) {
  text = text.trim();
  if (text === "") return null;
  const m = /^(\d+(?:[.,]\d+)?)\s*([kmgtp]?)(i?)b?$/i.exec(text);
  if (!m) return NaN;
  return parseFloat(m[1].replace(",", ".")) * (m[3] ? 1024 : 1000) ** " kmgtp".indexOf(m[2].toLowerCase() || " ");
}

function make(tag, attributes, ...inner) {
  const e = document.createElement(tag);
  for (const k in attributes) e.setAttribute(k, attributes[k]);
  e.append(...inner);
  return e;
}
function draw(tag, attributes, ...inner) {
  const e = document.createElementNS(SVG, tag);
  for (const k in attributes) e.setAttribute(k, attributes[k]);
  e.append(...inner);
  return e;
}
const key = (v) => draw("svg", { class: "key", viewBox: "0 0 12 12", "aria-hidden": "true" },
  draw("rect", { class: "v-" + VERDICTS[v], width: 12, height: 12 }),
  ...(v ? [draw("rect", { class: "x-" + VERDICTS[v], width: 12, height: 12 })] : []),
  draw("rect", { class: "frame", width: 12, height: 12 }));

// ---- unpacking ----

async function column(id) {
  const text = $("c-" + id).textContent;
  const step = 1 << 20, parts = [];
  for (let i = 0; i < text.length; i += step) {
    const raw = atob(text.slice(i, i + step));
    const b = new Uint8Array(raw.length);
    for (let k = 0; k < raw.length; k++) b[k] = raw.charCodeAt(k);
    parts.push(b);
  }
  $("c-" + id).remove();
  const stream = new Blob(parts).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

// numbers reads varints. Parts past 2^31 are multiplied, not shifted.
function numbers(b, n, out) {
  let p = 0;
  for (let i = 0; i < n; i++) {
    let c = b[p++];
    if (c < 128) { out[i] = c; continue; }
    let v = c & 127, f = 128;
    do { c = b[p++]; v += (c & 127) * f; f *= 128; } while (c > 127);
    out[i] = v;
  }
  return out;
}

// words reads the low four bytes of numbers that stand plane by plane.
function words(b) {
  const n = b.length / 4, out = new Uint32Array(n);
  for (let i = 0; i < n; i++) out[i] = b[i] | b[n + i] << 8 | b[2 * n + i] << 16 | b[3 * n + i] << 24;
  return out;
}

// Texts are all texts of a column as one string, with where each ends.
class Texts {
  constructor(lengths, raw, n) {
    this.all = new TextDecoder("utf-8", { ignoreBOM: true }).decode(raw);
    this.n = n;
    this.end = numbers(lengths, n, new Float64Array(n));
    for (let i = 1; i < n; i++) this.end[i] += this.end[i - 1];
  }
  start(i) { return i ? this.end[i - 1] : 0; }
  at(i) { return this.all.slice(this.start(i), this.end[i]); }
  // folded is all texts as searches compare them, each by itself, since one may become longer or shorter
  get folded() {
    if (this.low !== undefined) return this.low;
    this.lowEnd = this.end;
    if (!/[^\x00-\x7f]/.test(this.all)) return this.low = this.all.toLowerCase();
    const parts = new Array(this.n);
    this.lowEnd = new Float64Array(this.n);
    for (let i = 0, at = 0; i < this.n; i++) this.lowEnd[i] = at += (parts[i] = fold(this.at(i))).length;
    return this.low = parts.join("");
  }
  // find calls hit with each text that holds what is sought.
  find(what, hit) {
    const low = this.folded;
    let i = 0;
    for (let p = low.indexOf(what); p >= 0;) {
      let a = i, b = this.n - 1; // the first text that ends behind p
      while (a < b) { const m = (a + b) >> 1; if (this.lowEnd[m] > p) b = m; else a = m + 1; }
      i = a;
      if (p + what.length <= this.lowEnd[i]) { hit(i); p = low.indexOf(what, this.lowEnd[i]); } else p = low.indexOf(what, p + 1);
    }
  }
}

let L; // the list: its columns
async function open() {
  const n = +$("columns").dataset.rows, nf = +$("columns").dataset.folders;
  const ids = [...document.querySelectorAll("script[id^=c-]")].map((e) => e.id.slice(2));
  const raw = Object.fromEntries(await Promise.all(ids.map(async (id) => [id, await column(id)])));
  L = { n, nf };
  L.names = new Texts(raw["name-length"], raw["name-text"], n);
  L.fnames = new Texts(raw["f-name-length"], raw["f-name-text"], nf);
  L.folder = numbers(raw.folder, n, new Int32Array(n));
  for (let i = 1; i < n; i++) L.folder[i] += L.folder[i - 1];
  L.what = numbers(raw.what, n, new Uint16Array(n));
  L.size = numbers(raw.size, n, new Float64Array(n)); // plus one; 0 is unknown
  L.time = new Float64Array(n).fill(NaN);
  L.local = new Uint8Array(n);
  const t = numbers(raw.modified, n, new Float64Array(n));
  for (let i = 0, at = 0; i < n; i++) {
    if (!t[i]) continue;
    let d = t[i] - 1;
    L.local[i] = d % 2;
    d = Math.floor(d / 2);
    at += d % 2 ? -(d + 1) / 2 : d / 2;
    L.time[i] = at;
  }
  L.byName = words(raw["by-name"]);
  L.bad = new Int32Array(n); // the place of a row among those that are not intact
  let bad = 0;
  for (let i = 0; i < n; i++) L.bad[i] = L.what[i] & 3 ? bad++ : -1;
  L.got = numbers(raw.got, bad, new Float64Array(bad));
  L.bars = [raw["bar-first"], raw["bar-second"]].map((b) => new DataView(b.buffer));
  L.details = raw["detail-text"] ? new Texts(raw["detail-length"], raw["detail-text"], bad) : null;
  L.parent = numbers(raw["f-parent"], nf, new Int32Array(nf));
  L.last = new Int32Array(nf);
  for (let f = nf - 1; f >= 0; f--) {
    L.parent[f] = f - L.parent[f];
    L.last[f] = Math.max(L.last[f], f);
    if (f) L.last[L.parent[f]] = Math.max(L.last[L.parent[f]], L.last[f]);
  }
  L.fflags = numbers(raw["f-flags"], nf, new Uint8Array(nf));
  L.fsum = ["intact", "damaged", "lost", "size"].map((c) => numbers(raw["f-" + c], nf, new Float64Array(nf)));
}

// folderPath is a folder's path; the roots have none.
function folderPath(f) {
  const parts = [];
  while (!(L.fflags[f] & 2)) { parts.push(L.fnames.at(f)); f = L.parent[f]; }
  return parts.reverse().join("/");
}
const folderName = (f) => visible(L.fnames.at(f)) + (L.fflags[f] & 4 ? " (place not known)" : "");
function shownPath(f) { // with its volume, where there are several
  const path = folderPath(f);
  while (!(L.fflags[f] & 2)) f = L.parent[f];
  return f ? L.fnames.at(f) + (path ? ": " + path : "") : path;
}
const rowPath = (i) => { const f = folderPath(L.folder[i]); return (f ? f + "/" : "") + L.names.at(i); };
function shownRow(i) { // as shownPath
  let f = L.folder[i];
  while (!(L.fflags[f] & 2)) f = L.parent[f];
  return (f ? L.fnames.at(f) + ": " : "") + rowPath(i);
}

// ---- a window of rows ----

// A box that scrolls over any number of rows; a document can be some ten million pixels high, so beyond that the
// scroll bar goes over the rows in larger steps. Arrow keys always move by one.
const HIGHEST = 8e6;
class Windowed {
  constructor(at, height, row, head) {
    this.at = at; this.height = height; this.row = row; this.n = 0; this.here = -1; this.top = 0;
    this.space = make("div", { class: "space", role: "presentation" });
    this.layer = make("div", { class: "layer", role: head ? "rowgroup" : "presentation" });
    this.space.append(this.layer);
    this.headHeight = head ? 36 : 0;
    if (head) at.append(head);
    at.append(this.space);
    at.addEventListener("scroll", () => this.later(), { passive: true });
    new ResizeObserver(() => this.later()).observe(at);
  }
  get fits() { return Math.max(1, Math.floor((this.at.clientHeight - this.headHeight) / this.height)); }
  get scale() { return Math.max(1, this.n * this.height / HIGHEST); }
  resize(n) {
    this.n = n;
    this.space.style.height = Math.min(n * this.height, HIGHEST) + "px";
    if (this.here >= n) this.here = n - 1;
    this.paint();
  }
  later() { this.frame ??= requestAnimationFrame(() => { this.frame = null; this.paint(); }); }
  paint() {
    const room = Math.max(1, this.space.offsetHeight - (this.at.clientHeight - this.headHeight));
    const scroll = Math.min(this.at.scrollTop, room);
    let first, shift;
    if (this.scale === 1) {
      first = Math.floor(scroll / this.height);
      shift = first * this.height;
    } else {
      first = Math.round(scroll / room * (this.n - this.fits));
      shift = Math.min(scroll, this.space.offsetHeight - this.fits * this.height);
    }
    first = Math.max(0, Math.min(first, this.n - 1));
    this.top = first;
    const rows = [];
    for (let i = first; i < Math.min(this.n, first + this.fits + 2); i++) {
      const e = this.row(i);
      e.id = this.at.id + "-" + i;
      if (i === this.here) e.classList.add("here");
      e.dataset.i = i;
      rows.push(e);
    }
    this.layer.replaceChildren(...rows);
    this.layer.style.transform = "translateY(" + shift + "px)";
    if (this.here >= first && this.here < first + rows.length) this.at.setAttribute("aria-activedescendant", this.at.id + "-" + this.here);
    else this.at.removeAttribute("aria-activedescendant");
  }
  // go makes row i the one that keys act on, and brings it into sight.
  go(i) {
    if (!this.n) return;
    this.here = i = Math.max(0, Math.min(i, this.n - 1));
    if (i < this.top || i >= this.top + this.fits) {
      const first = i < this.top ? i : i - this.fits + 1;
      const room = this.space.offsetHeight - (this.at.clientHeight - this.headHeight);
      this.at.scrollTop = this.scale === 1 ? first * this.height : first / Math.max(1, this.n - this.fits) * room;
    }
    this.paint();
  }
  // move handles the keys that go up and down.
  move(e) {
    const to = { ArrowDown: this.here + 1, ArrowUp: this.here - 1, PageDown: this.here + this.fits, PageUp: this.here - this.fits, Home: 0, End: this.n - 1 }[e.key];
    if (to === undefined) return false;
    e.preventDefault();
    this.go(Math.max(0, to));
    return true;
  }
}
const indexOf = (e) => { const r = e.target.closest("[data-i]"); return r ? +r.dataset.i : -1; };

// ---- bars ----

const isMarked = (bad, i) => L.bars[i >> 5].getUint32(4 * bad, true) >>> (i & 31) & 1;
// bar draws a file from its first byte to its last, with where its damage lies.
function bar(i) {
  const v = L.what[i] & 3;
  const svg = draw("svg", { class: "bar", viewBox: "0 0 64 8", preserveAspectRatio: "none", "aria-hidden": "true" });
  if (v === 2) svg.append(draw("rect", { class: "v-lost", width: 64, height: 8 }), draw("rect", { class: "x-lost", width: 64, height: 8 }));
  else {
    svg.append(draw("rect", { class: "v-intact", width: 64, height: 8 }));
    for (let a = 0; v && a < 64; a++) {
      if (!isMarked(L.bad[i], a)) continue;
      let b = a;
      while (b < 64 && isMarked(L.bad[i], b)) b++;
      svg.append(draw("rect", { class: "v-damaged", x: a, width: b - a, height: 8 }), draw("rect", { class: "x-damaged", x: a, width: b - a, height: 8 }));
      a = b;
    }
  }
  svg.append(draw("rect", { class: "frame", width: 64, height: 8 }));
  return svg;
}

// ---- the table ----

const COLUMNS = [["", "tick"], ["Name", "name", "byName"], ["Folder", "from where", "folder"], ["Verdict", "verdict", "verdict"],
  ["Damage", "where", "share"], ["Size", "n size", "size"], ["Changed", "from when", "time"]];
let view = new Uint32Array(0); // the rows that are shown, in order
let order = "folder", down = false;
const orders = {};
const ticks = new Set(), folderTicks = new Set();

// inTicked says whether a folder lies in one that is ticked, or is one.
function inTicked(f) {
  for (;;) {
    if (folderTicks.has(f)) return true;
    if (!f) return false;
    f = L.parent[f];
  }
}

function gridRow(at) {
  const i = view[at], what = L.what[i], v = what & 3;
  const name = visible(L.names.at(i)), whole = inTicked(L.folder[i]);
  const tick = make("input", { type: "checkbox", tabindex: -1, "aria-label": "important: " + name });
  tick.checked = whole || ticks.has(i);
  tick.disabled = whole;
  const cell = (k, ...inner) => make("div", { role: "gridcell", class: COLUMNS[k][1], "aria-colindex": k + 1 }, ...inner);
  return make("div", { class: "row", role: "row", "aria-rowindex": at + 2 },
    cell(0, tick), cell(1, make("bdi", {}, name)), cell(2, make("bdi", {}, visible(shownPath(L.folder[i])))),
    cell(3, key(v), VERDICTS[v]), cell(4, ...(v ? [bar(i)] : [])), cell(5, L.size[i] ? size(L.size[i] - 1) : "unknown"),
    cell(6, isNaN(L.time[i]) ? "" : date(L.time[i], false)));
}

// sorted gives the rows in an order; those that are equal stay by folder and name.
function sorted(by) {
  if (orders[by]) return orders[by];
  if (by === "byName") return orders[by] = L.byName;
  const keys = { size: (i) => L.size[i], time: (i) => isNaN(L.time[i]) ? 0 : L.time[i] + 2 ** 42, verdict: (i) => L.what[i] & 3,
    share: (i) => L.bad[i] < 0 ? 0 : L.size[i] > 1 ? 1 + Math.floor((1 - L.got[L.bad[i]] / (L.size[i] - 1)) * 1e9) : 1e9 + 1, folder: () => 0 }[by];
  let list = new Uint32Array(L.n), next = new Uint32Array(L.n);
  for (let i = 0; i < L.n; i++) list[i] = i;
  if (by === "folder") return orders[by] = list;
  const low = new Uint32Array(L.n), high = new Uint32Array(L.n);
  for (let i = 0; i < L.n; i++) { const k = keys(i); low[i] = k % 2 ** 32; high[i] = k / 2 ** 32; }
  // by digits of 16 bits, the lowest first
  for (const [part, shift] of [[low, 0], [low, 16], [high, 0], [high, 16]]) {
    const at = new Uint32Array(65537);
    for (let i = 0; i < L.n; i++) at[(part[i] >>> shift & 65535) + 1]++;
    if (at[1] === L.n) continue;
    for (let d = 0; d < 65536; d++) at[d + 1] += at[d];
    for (let k = 0; k < L.n; k++) { const i = list[k]; next[at[part[i] >>> shift & 65535]++] = i; }
    [list, next] = [next, list];
  }
  return orders[by] = list;
}

let chosen = 0; // the folder that is shown
// filter works out which rows are shown.
function filter() {
  const wantV = [0, 1, 2].map((v) => $("v" + v).checked);
  const kind = $("kind").value === "" ? -1 : +$("kind").value;
  const least = limit("min", bytes), most = limit("max", bytes);
  const from = limit("from", day), to = limit("to", day);
  const sought = fold($("q").value);
  let hit = null;
  if (sought) {
    hit = new Uint8Array(L.n);
    L.names.find(sought, (i) => { hit[i] = 1; });
    const whole = new Uint8Array(L.nf);
    L.fnames.find(sought, (f) => { if (f) whole[f] = 1; });
    const slash = sought.includes("/");
    if (slash) for (let f = 1; f < L.nf; f++) if (fold(folderPath(f) + "/").includes(sought)) whole[f] = 1;
    for (let f = 1; f < L.nf; f++) if (whole[L.parent[f]]) whole[f] = 1;
    let last = -1, path = "";
    const tail = sought.slice(sought.lastIndexOf("/") + 1);
    for (let i = 0; i < L.n; i++) {
      const f = L.folder[i];
      if (whole[f]) hit[i] = 1;
      else if (slash) {
        if (f !== last) { path = fold(folderPath(f) + "/"); last = f; }
        hit[i] = path.endsWith(sought.slice(0, sought.length - tail.length)) && fold(L.names.at(i)).startsWith(tail) ? 1 : 0;
      }
    }
  }
  const base = sorted(order), out = new Uint32Array(L.n), end = L.last[chosen];
  let n = 0;
  for (let k = 0; k < L.n; k++) {
    const i = base[down ? L.n - 1 - k : k], what = L.what[i], s = L.size[i] - 1, t = L.time[i];
    if (!wantV[what & 3] || kind >= 0 && (what >> 2 & 15) !== kind || L.folder[i] < chosen || L.folder[i] > end || hit && !hit[i]) continue;
    if (least !== null && !(s >= least) || most !== null && (s < 0 || s > most)) continue;
    if (from !== null && !(t >= from) || to !== null && !(t < to + 86400)) continue;
    out[n++] = i;
  }
  view = out.subarray(0, n);
  let sum = 0;
  for (let k = 0; k < n; k++) sum += Math.max(0, L.size[view[k]] - 1);
  const where = chosen ? " in " + visible(shownPath(chosen)) : "";
  $("count").replaceChildren(n === L.n ? count(n, "file", "files") : comma(n) + " of " + count(L.n, "file", "files"), make("bdi", {}, where), ", " + size(sum));
  grid.at.setAttribute("aria-rowcount", n + 1);
  grid.here = n ? 0 : -1;
  grid.at.scrollTop = 0;
  grid.resize(n);
  detail();
}
const day = (text) => text === "" ? null : Date.parse(text + "T00:00:00Z") / 1000;
function limit(id, read) {
  const v = read($(id).value), bad = v !== null && isNaN(v);
  $(id).setAttribute("aria-invalid", bad);
  return bad ? null : v;
}

// detail shows all that is known of the row that keys act on.
function detail() {
  const at = $("detail");
  if (grid.here < 0) { at.replaceChildren(make("p", { class: "soft" }, L.n ? "No file fits what you asked for." : "There is no file in the list.")); return; }
  const i = view[grid.here], what = L.what[i], v = what & 3, n = L.size[i] - 1;
  const facts = [VERDICTS[v], KINDS[what >> 2 & 15].toLowerCase(), n < 0 ? "size unknown" : n < 1024 ? count(n, "byte", "bytes") : size(n) + " (" + comma(n) + " bytes)"];
  if (v && n > 0) facts.push(count(L.got[L.bad[i]], "byte", "bytes") + " of it recovered for certain");
  if (!isNaN(L.time[i])) facts.push("changed " + date(L.time[i], true) + (L.local[i] ? " by its computer's clock" : " UTC"));
  const inner = [make("p", { class: "full" }, make("bdi", {}, visible(shownRow(i)))), make("p", {}, key(v), facts.join(", ") + ".")];
  const notes = NOTES.filter((_, b) => what >> 6 + b & 1);
  if (notes.length) { const text = notes.join("; ") + "."; inner.push(make("p", { class: "soft" }, text[0].toUpperCase() + text.slice(1))); }
  if (v === 1) inner.push(bar(i));
  if (v && L.details && L.details.at(L.bad[i])) inner.push(make("pre", { tabindex: 0, "aria-label": "Ranges and reasons" }, L.details.at(L.bad[i])));
  at.replaceChildren(...inner);
}

// ---- the tree ----

let nodes = [0];
const opened = new Set([0]);
function* children(f) { for (let c = f + 1; c <= L.last[f]; c = L.last[c] + 1) yield c; }
const level = (f) => { let n = 1; while (f) { f = L.parent[f]; n++; } return n; };

function treeRow(at) {
  const f = nodes[at], deep = level(f), leaf = L.last[f] === f;
  const bad = L.fsum[1][f] + L.fsum[2][f], all = L.fsum[0][f] + bad;
  const note = L.fflags[f] & 1 ? ", list of names not read whole" : "";
  const e = make("div", { class: "tree row", role: "treeitem", "aria-level": deep, "aria-selected": f === chosen, "aria-checked": inTicked(f),
    "aria-label": folderName(f) + ", " + count(all, "file", "files") + (bad ? ", " + comma(bad) + " not whole" : "") + note },
    make("span", { class: "twist", "aria-hidden": "true" }, leaf ? "" : opened.has(f) ? "−" : "+"),
    make("span", { class: "box", "aria-hidden": "true" }, inTicked(f) ? "✓" : ""),
    make("bdi", { class: "fname" }, folderName(f)),
    make("span", { class: "sum", "aria-hidden": "true" }, bad ? comma(bad) + " of " + comma(all) : comma(all)));
  e.style.paddingLeft = Math.min(deep - 1, 12) * 0.9 + 0.2 + "rem";
  if (!leaf) e.setAttribute("aria-expanded", opened.has(f));
  e.title = folderName(f) + note;
  return e;
}
function flatten() {
  nodes = [];
  const stack = [0];
  while (stack.length) {
    const f = stack.pop();
    nodes.push(f);
    if (opened.has(f)) for (const c of [...children(f)].reverse()) stack.push(c); // one by one: a call takes only so many
  }
  tree.resize(nodes.length);
}
function toggle(f, on) {
  if (on) opened.add(f); else opened.delete(f);
  flatten();
}
function choose(f) { chosen = f; tree.paint(); filter(); }

// ---- ticks, and the wanted list that they make ----

// pattern fits exactly one path, as the wanted list wants it (verify/wanted.Escape).
function pattern(path) {
  const chars = [...path];
  return "/" + chars.map((c, i) => {
    const n = c.codePointAt(0);
    if (n < 0x20 || n === 0x7f || n === 0x85 || n === 0xa0 || n === 0xfffd) return "?";
    if ("\\*?[]{}!^-,".includes(c)) return "\\" + c;
    if (i + 1 === chars.length && /\s/u.test(c)) return c === " " ? "[ ]" : "?";
    return c;
  }).join("");
}
// inVolume is a volume's condition, where there are several: their roots are named by their numbers.
const inVolume = (f) => {
  while (!(L.fflags[f] & 2)) f = L.parent[f];
  return f ? "volume:" + parseInt(L.fnames.at(f).slice("Volume ".length), 10) + " " : "";
};
function wantedText() {
  const lines = ["# what matters most to the customer, from the delivery report"];
  for (const f of [...folderTicks].sort((a, b) => a - b)) {
    lines.push("100 " + (f ? inVolume(f) : "") + (L.fflags[f] & 2 ? "**" : pattern(folderPath(f)) + "/**"));
  }
  for (const i of [...ticks].sort((a, b) => a - b)) lines.push("100 " + inVolume(L.folder[i]) + pattern(rowPath(i)));
  return lines.join("\n") + "\n# everything else comes after that\n1 **\n";
}
function ticked() {
  const some = ticks.size + folderTicks.size > 0;
  $("ticked").textContent = !some ? "Nothing is ticked." : [folderTicks.size && count(folderTicks.size, "folder", "folders"), ticks.size && count(ticks.size, "file", "files")].filter(Boolean).join(" and ") + " ticked.";
  $("save").disabled = $("clear").disabled = $("textof").hidden = !some;
  if ($("textof").open) $("text").value = wantedText();
  grid.paint();
  tree.paint();
}
function flip(set, x) {
  if (!set.delete(x)) set.add(x);
  ticked();
}
function save() {
  const link = make("a", { download: "wanted.txt", href: URL.createObjectURL(new Blob([wantedText()], { type: "text/plain" })) });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

// ---- all of it together ----

let grid, tree;
function start() {
  const head = make("div", { class: "head row", role: "row", "aria-rowindex": 1 }, ...COLUMNS.map(([label, cls, by], k) => {
    const c = make("div", { role: "columnheader", class: cls, "aria-colindex": k + 1 });
    if (!by) { c.append(make("span", { class: "vh" }, "Important")); return c; }
    if (by === order) c.setAttribute("aria-sort", "ascending");
    const b = make("button", { type: "button" }, label);
    b.addEventListener("click", () => {
      down = order === by ? !down : by === "size" || by === "time" || by === "share" || by === "verdict";
      order = by;
      for (const x of head.children) x.removeAttribute("aria-sort");
      c.setAttribute("aria-sort", down ? "descending" : "ascending");
      filter();
    });
    c.append(b);
    return c;
  }));
  grid = new Windowed($("grid"), 34, gridRow, make("div", { role: "rowgroup", class: "headgroup" }, head));
  tree = new Windowed($("tree"), 32, treeRow, null);
  grid.at.setAttribute("aria-colcount", COLUMNS.length);
  tree.here = 0;

  grid.at.addEventListener("keydown", (e) => {
    if (e.target !== grid.at) return;
    if (grid.move(e)) detail();
    else if (e.key === " " && grid.here >= 0) { e.preventDefault(); if (!inTicked(L.folder[view[grid.here]])) flip(ticks, view[grid.here]); }
    else if (e.key === "Enter") { e.preventDefault(); $("detail").focus(); }
  });
  grid.at.addEventListener("click", (e) => {
    const at = indexOf(e);
    if (at < 0) return;
    grid.here = at;
    if (e.target.type === "checkbox") flip(ticks, view[at]); else grid.paint();
    detail();
  });
  tree.at.addEventListener("keydown", (e) => {
    const f = nodes[tree.here];
    if (tree.move(e)) return;
    if (e.key === "ArrowRight") { if (L.last[f] === f) return; if (opened.has(f)) tree.go(tree.here + 1); else toggle(f, true); }
    else if (e.key === "ArrowLeft") { if (opened.has(f) && f) toggle(f, false); else if (f) tree.go(nodes.indexOf(L.parent[f])); }
    else if (e.key === "Enter") choose(f);
    else if (e.key === " ") { if (!(f && inTicked(L.parent[f]))) flip(folderTicks, f); }
    else return;
    e.preventDefault();
  });
  tree.at.addEventListener("click", (e) => {
    const at = indexOf(e);
    if (at < 0) return;
    const f = nodes[at];
    tree.here = at;
    if (e.target.classList.contains("twist")) toggle(f, !opened.has(f));
    else if (e.target.classList.contains("box")) { if (!(f && inTicked(L.parent[f]))) flip(folderTicks, f); }
    else choose(f);
  });
  const form = document.querySelector(".tools");
  form.addEventListener("submit", (e) => e.preventDefault());
  let wait;
  const soon = () => { clearTimeout(wait); wait = setTimeout(filter, 150); };
  form.addEventListener("input", soon);
  form.addEventListener("reset", () => { chosen = 0; tree.go(0); soon(); });
  $("save").addEventListener("click", save);
  $("clear").addEventListener("click", () => { ticks.clear(); folderTicks.clear(); ticked(); });
  $("textof").addEventListener("toggle", () => { $("text").value = wantedText(); });
  if ([...children(0)].length === 1) opened.add(1);
  $("app").hidden = false;
  $("loading").hidden = true;
  flatten();
  filter();
  $("list").dataset.took = Math.round(performance.now()); // ms since the page was asked for
  $("list").dataset.ready = "yes";
}

open().then(start).catch((err) => {
  // an old browser, or a page that was changed: what is written in the page itself still stands
  document.documentElement.classList.remove("script");
  $("list").hidden = true;
  $("list").dataset.failed = String(err);
});
})();
