// One table of a device as a strip: rows of addresses, one above the other. Only rows in view are drawn, and only the
// stretches they lie in are asked for, so that a full table is as quick as an empty one.

import { get } from "/static/ask.js";
import { node, svg } from "/static/words.js";

const STRETCH = 2000; // addresses asked for at once; every row length divides it
const LEFT = 54; // px before the first address of a row
const NAME = 15, BAR = 20, GAP = 9; // px of a row: owners' names, bars, and below them
const ROW = NAME + BAR + GAP, FREE = 26;
const LETTER = 7; // px that a letter of a name takes
const LAST = 65535;

export class Strip {
  // `choose(address)` is called for a place that somebody points at, `under(words)` while a pointer is over one.
  constructor(box, choose, under) {
    this.box = box;
    this.inner = node("div", { class: "strip-inner" });
    box.replaceChildren(this.inner);
    this.choose = choose;
    this.chosen = null;
    this.lines = [];
    this.drawn = new Map();
    this.stretches = new Map();
    box.addEventListener("scroll", () => this.draw());
    box.addEventListener("click", (event) => { const at = this.addressAt(event); if (at !== null) choose(at); });
    box.addEventListener("pointermove", (event) => under(this.wordsAt(this.addressAt(event))));
    box.addEventListener("pointerleave", () => under(""));
    new ResizeObserver(() => { if (box.clientWidth !== this.width) this.lay(); }).observe(box);
  }

  show(device, table) {
    this.device = device;
    this.table = table;
    this.stretches.clear();
    this.chosen = null;
    this.lay();
    this.box.scrollTop = 0;
  }

  // The rows that are taken, and a line for each stretch that is free.
  lay() {
    this.width = this.box.clientWidth;
    this.row = this.width < 560 ? 25 : this.width < 760 ? 50 : this.width < 1500 ? 100 : 200;
    this.cell = (this.width - LEFT - 6) / this.row;
    this.lines = [];
    let top = 0, next = 0;
    const add = (line, height) => { this.lines.push({ ...line, top, height }); top += height; };
    for (const [first, last] of this.table?.taken ?? []) {
      const begin = Math.max(next, first - (first % this.row));
      if (begin > next) add({ free: [next, begin - 1] }, FREE);
      for (next = begin; next <= last; next += this.row) add({ start: next }, ROW);
    }
    if (next <= LAST) add({ free: [next, LAST] }, FREE);
    this.inner.style.height = `${top}px`;
    for (const drawn of this.drawn.values()) drawn.remove();
    this.drawn.clear();
    this.draw();
  }

  draw() {
    const from = this.box.scrollTop - ROW, to = this.box.scrollTop + this.box.clientHeight + ROW;
    for (const [at, drawn] of this.drawn) {
      const line = this.lines[at];
      if (line.top + line.height < from || line.top > to) { drawn.remove(); this.drawn.delete(at); }
    }
    for (let at = this.lineAt(from); at < this.lines.length && this.lines[at].top <= to; at += 1) {
      if (!this.drawn.has(at)) this.place(at);
    }
  }

  place(at) {
    const line = this.lines[at];
    const made = node("div", { class: "strip-line" });
    made.style.top = `${line.top}px`;
    this.inner.append(made);
    this.drawn.set(at, made);
    if (line.free) made.append(node("p", { class: "strip-free", text: `${line.free[0]}-${line.free[1]} free: a read gets exception 02` }));
    else this.fill(made, line);
  }

  async fill(made, line) {
    const known = this.stretch(line.start);
    const stretch = known.done ?? await known.asked;
    if (stretch && made.isConnected) made.replaceChildren(this.drawing(line.start, stretch));
  }

  // What stands in the stretch of an address: `done` once it has come, `asked` as a promise.
  stretch(address) {
    const first = address - (address % STRETCH);
    if (!this.stretches.has(first)) {
      const known = { done: null };
      const last = Math.min(first + STRETCH - 1, LAST);
      known.asked = get("/map/strip", { device: this.device.name, table: this.table.table, from: first, to: last })
        .then((told) => { known.done = told; return told; }, () => { this.stretches.delete(first); return null; });
      this.stretches.set(first, known);
    }
    return this.stretches.get(first);
  }

  drawing(start, stretch) {
    const end = start + this.row;
    const here = stretch.blocks.filter(([at, size]) => at < end && at + size > start);
    const drawing = svg("svg", { width: this.width, height: ROW, viewBox: `0 0 ${this.width} ${ROW}`, role: "img", "aria-label": `${start} to ${end - 1}: ${[...new Set(here.map((each) => each[2]))].join(", ")}` });
    const begins = svg("text", { x: LEFT - 7, y: NAME + 15, "text-anchor": "end", class: "begins" });
    begins.textContent = start;
    drawing.append(begins);
    for (const block of here) this.bars(drawing, block, start, end, stretch.layouts);
    this.names(drawing, here, start, end);
    if (this.chosen && this.chosen[0] < end && this.chosen[0] + this.chosen[1] > start) {
      const [x, width] = this.span(this.chosen[0], this.chosen[1], start, end);
      drawing.append(svg("rect", { class: "chosen", x: x - 1, y: NAME - 2, width: Math.max(5, width + 2), height: BAR + 4 }));
    }
    return drawing;
  }

  span(at, size, start, end) {
    const first = Math.max(at, start), last = Math.min(at + size, end);
    return [LEFT + (first - start) * this.cell, (last - first) * this.cell];
  }

  bars(drawing, [at, size, , number, frozen], start, end, layouts) {
    const [x, width] = this.span(at, size, start, end);
    drawing.append(svg("rect", { class: number === null ? "slot spare" : "slot", x: x + 0.5, y: NAME + 0.5, width: Math.max(1, width - 1), height: BAR - 1 }));
    if (number === null) drawing.append(svg("path", { class: "across", d: `M${x} ${NAME + BAR}L${x + width} ${NAME}` }));
    for (const [offset, registers] of number === null ? [] : layouts[number]) {
      if (at + offset >= end || at + offset + registers <= start) continue;
      const [left, wide] = this.span(at + offset, registers, start, end);
      drawing.append(svg("rect", { class: "item", x: left + 1, y: NAME + 3, width: Math.max(1, wide - 2), height: BAR - 6 }));
    }
    if (frozen) drawing.append(svg("path", { class: frozen === 1 ? "frozen part" : "frozen", d: `M${x + 1} ${NAME + BAR + 3}H${x + width - 1}` }));
  }

  // The owners above their blocks, as many as there is room for.
  names(drawing, here, start, end) {
    let from = 0;
    for (const [at, size, owner, number] of here) {
      const [x, room] = this.span(at, size, start, end);
      const name = at < start ? `(${owner})` : owner;
      const width = LETTER * name.length;
      if (number === null || x < from || (width > room && room >= LETTER * 4) || x + width > this.width) continue;
      const text = svg("text", { x, y: NAME - 4 });
      text.textContent = name;
      drawing.append(text);
      from = x + width + LETTER;
    }
  }

  lineAt(top) {
    let low = 0, high = this.lines.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.lines[middle].top + this.lines[middle].height <= top) low = middle + 1; else high = middle;
    }
    return low;
  }

  lineOf(address) {
    return this.lines.findIndex((line) => (line.free ? line.free[0] <= address && address <= line.free[1] : line.start <= address && address < line.start + this.row));
  }

  // The address under a pointer, null over what is free.
  addressAt(event) {
    const box = this.inner.getBoundingClientRect();
    const line = this.lines[this.lineAt(event.clientY - box.top)];
    const column = Math.floor((event.clientX - box.left - LEFT) / this.cell);
    return line && !line.free && column >= 0 && column < this.row ? Math.min(LAST, line.start + column) : null;
  }

  wordsAt(address) {
    const stretch = address === null ? null : this.stretch(address).done;
    if (!stretch) return "";
    const block = stretch.blocks.find(([at, size]) => at <= address && address < at + size);
    if (!block) return `${address}: free`;
    const [at, , owner, number] = block;
    const item = number === null ? null : stretch.layouts[number].find(([offset, size]) => at + offset <= address && address < at + offset + size);
    if (!item) return `${address}: ${owner}${number === null ? "" : ", kept free"}`;
    const first = at + item[0], last = first + item[1] - 1;
    return `${first}${last > first ? `-${last}` : ""}: ${owner} ${item[2]}`;
  }

  // Mark an item and bring it into view.
  mark(address, size) {
    const before = this.chosen;
    this.chosen = [address, size];
    for (const each of [before, this.chosen]) if (each) this.again(each[0], each[1]);
    const line = this.lines[this.lineOf(address)];
    if (!line) return;
    if (line.top < this.box.scrollTop) this.box.scrollTop = line.top - ROW;
    else if (line.top + line.height > this.box.scrollTop + this.box.clientHeight) this.box.scrollTop = line.top + line.height + ROW - this.box.clientHeight;
  }

  again(address, size) {
    for (let at = this.lineOf(address); at >= 0 && at <= this.lineOf(address + size - 1); at += 1) {
      const drawn = this.drawn.get(at);
      if (drawn && !this.lines[at].free) this.fill(drawn, this.lines[at]);
    }
  }

  // The same column some rows further down (or up), over what is free; null where there are no more rows.
  further(address, rows) {
    const step = Math.sign(rows);
    let at = this.lineOf(address), left = Math.abs(rows), found = null;
    const column = address % this.row;
    for (at += step; at >= 0 && at < this.lines.length && left > 0; at += step) {
      if (!this.lines[at].free) { found = Math.min(LAST, this.lines[at].start + column); left -= 1; }
    }
    return found;
  }
}
