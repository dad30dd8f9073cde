// The overview: a tile a meter, by area or worst first. Tiles are changed where they stand; 3 000 of them stay quick
// because only those in view are laid out, and their trends are asked for when they come into view.

import { get } from "/static/ask.js";
import { sketch } from "/static/chart.js";
import { follow, serverTime } from "/static/live.js";
import { matters, node, span, unit, value } from "/static/words.js";

const TREND = 86400; // s that a trend shows
const OLD = 600000; // ms after which a trend that is in view is asked for anew
const YOUNG = 60000; // ms after which it is asked for again where there was too little of it to be drawn
const AT_ONCE = 4; // trends asked for at the same time
const PART = 150; // tiles made before the browser may draw
const REORDER = 1000; // ms between two orders of the list: it must not run away from who reads it
const lines = new Map();
const tiles = new Map();
const trends = new Map(); // tag -> the field that it shows, and when it is to be asked for next, ms
const areas = document.getElementById("areas");
const search = document.getElementById("search");
const area = document.getElementById("area");
const order = document.getElementById("order");
const abnormal = document.getElementById("abnormal");
const counts = document.getElementById("counts");
let drawing = 0; // the last drawing that was begun
let isDrawing = false;
let ordered = 0; // when the list was last put in order, ms
let due = null; // when it will be put in order next
const meanwhile = new Set(); // lists of what the stream told while all lines were being asked for, and may be newer

function fill(tile, line) {
  const now = serverTime();
  const [first, ...others] = line.fields;
  const found = matters(line, now);
  const owed = line.alarm?.owed;
  const standing = line.alarm && (line.alarm.owed || line.alarm.active || line.alarm.in_test);
  tile.className = `tile ${standing ? `t-${line.alarm.priority} ${owed ? `is-owed ${line.alarm.priority}` : ""}` : line.grade > 1 ? "t-doubt" : ""} ${first?.grade > 1 ? "is-doubtful" : ""}`;
  const shown = first ? `${value(first.value)}` : "–";
  const more = others.map((each) => `${each.label} ${value(each.value)} ${unit(each.unit)}`.trim()).join(" · ");
  const trend = trends.get(line.tag)?.field === first?.name ? tile.querySelector("svg.trend-box") : null;
  const age = line.heard === null ? "" : `${span(now - line.heard)} ago`;
  tile.replaceChildren(
    node("div", { class: "head" }, node("b", { text: line.tag }), node("span", { text: line.name, title: line.name })),
    node("div", { class: "value" }, node("div", {}, node("data", { text: shown, title: first?.label ?? "" }), " ", node("small", { text: first ? `${unit(first.unit)}${standing ? ` ${first.label}` : ""}`.trim() : "" })), trend ?? ""),
    node("div", { class: "says" }, ...(found.length ? found : [node("span", { class: "age", text: age })]), found.length ? "" : node("span", { text: more })),
  );
}

function tileOf(line) {
  let tile = tiles.get(line.tag);
  if (!tile) {
    tile = node("a", { href: `/meters/${encodeURIComponent(line.tag)}` });
    tile.dataset.tag = line.tag;
    tiles.set(line.tag, tile);
    fill(tile, line);
    seen.observe(tile);
  }
  return tile;
}

// Trends, asked for when a tile comes into view.

const inView = new Set();
let asking = 0;
const seen = new IntersectionObserver((entries) => {
  for (const { target, isIntersecting } of entries) {
    if (isIntersecting) inView.add(target.dataset.tag);
    else inView.delete(target.dataset.tag);
  }
  askForTrends();
});

async function askForTrends() {
  for (const tag of inView) {
    if (asking >= AT_ONCE) return;
    const line = lines.get(tag);
    const field = line?.fields[0]?.name;
    const before = trends.get(tag);
    if (!field || (before?.field === field && Date.now() < before.next)) continue;
    trends.set(tag, { field, next: Date.now() + OLD });
    asking += 1;
    get(`/meters/${encodeURIComponent(tag)}/chart`, { field, since: serverTime() - TREND, until: serverTime(), most: 45 })
      .then((told) => {
        if (trends.get(tag)?.field !== field) return; // another field is shown by now
        const tile = tiles.get(tag);
        tile.querySelector("svg.trend-box")?.remove();
        const drawn = sketch(told);
        tile.querySelector(".value").append(drawn);
        if (!drawn.hasChildNodes()) trends.set(tag, { field, next: Date.now() + YOUNG });
      })
      .catch(() => trends.set(tag, { field, next: Date.now() + YOUNG }))
      .finally(() => { asking -= 1; askForTrends(); });
  }
}

function wanted(line) {
  const text = search.value.trim().toLowerCase();
  if (area.value && line.area !== area.value) return false;
  if (abnormal.checked && line.trouble === 0) return false;
  return !text || `${line.tag} ${line.name} ${line.area}`.toLowerCase().includes(text);
}

const BY = {
  trouble: (a, b) => b.trouble - a.trouble || BY.tag(a, b),
  tag: (a, b) => a.tag.localeCompare(b.tag, "en", { numeric: true }),
};

// Lists of tiles under their headings: areas where the plant's order is asked for, one list elsewhere.
function groups(found) {
  if (order.value !== "site") return [["", found.sort(BY[order.value])]];
  const by = new Map();
  for (const line of found) {
    if (!by.has(line.area)) by.set(line.area, []);
    by.get(line.area).push(line);
  }
  return [...by];
}

async function draw() {
  const mine = ++drawing;
  isDrawing = true;
  clearTimeout(due);
  due = null;
  const focused = document.activeElement;
  const found = [...lines.values()].filter(wanted);
  const made = [];
  const jobs = [];
  for (const [name, members] of groups(found)) {
    const list = node("ul", { class: "tiles" });
    const troubled = members.filter((each) => each.trouble > 0).length;
    const heading = name || (order.value === "site" ? "no area" : "");
    made.push(node("section", { class: heading ? "area" : "" }, heading ? node("h2", {}, heading, node("small", { text: `${members.length} meters${troubled ? `, ${troubled} not as they should be` : ""}` })) : "", list));
    jobs.push(...members.map((line) => [list, line]));
  }
  for (const [at, [list, line]] of jobs.entries()) {
    list.append(node("li", {}, tileOf(line)));
    if (at === PART) areas.replaceChildren(...made);
    if (at % PART === PART - 1) {
      await new Promise((next) => requestAnimationFrame(next));
      if (mine !== drawing) return;
    }
  }
  areas.replaceChildren(...(jobs.length ? made : [node("p", { class: "hint", text: lines.size ? "No meter is like that." : "This site has no meters." })]));
  areas.removeAttribute("aria-busy");
  if (document.activeElement === document.body && focused.isConnected) focused.focus({ preventScroll: true }); // a tile that was moved
  count();
  document.body.dataset.drawn = String(jobs.length);
  isDrawing = false;
  ordered = performance.now();
}

function count() {
  const found = [...lines.values()].filter(wanted);
  const of = found.length === lines.size ? "" : `${found.length} of `;
  const troubled = found.filter((each) => each.trouble > 0).length;
  const words = `${of}${lines.size} meters, ${troubled} not as they should be`;
  if (counts.textContent !== words) counts.textContent = words;
}

// Put the list in order once more: at once after a quiet time, else in a while. A drawing under way is left to end,
// or a large site that keeps changing would never be drawn.
function soon() {
  due ??= setTimeout(() => {
    due = null;
    if (isDrawing) soon();
    else draw();
  }, Math.max(isDrawing ? REORDER : 0, ordered + REORDER - performance.now()));
}

async function load() {
  const newer = [];
  meanwhile.add(newer);
  const told = await get("/meters").finally(() => meanwhile.delete(newer));
  lines.clear();
  for (const line of told) {
    lines.set(line.tag, line);
    if (tiles.has(line.tag)) fill(tiles.get(line.tag), line);
  }
  const names = [...new Set(told.map((line) => line.area))].sort();
  const chosen = area.value;
  area.replaceChildren(node("option", { value: "", text: "all areas" }), ...names.map((each) => node("option", { value: each, text: each })));
  area.value = names.includes(chosen) ? chosen : "";
  take(newer);
  await draw();
}

function take(changed) {
  for (const list of meanwhile) list.push(...changed);
  let isMoved = false;
  let isAnother = false; // a tile shows another field first
  for (const line of changed) {
    const before = lines.get(line.tag);
    lines.set(line.tag, line);
    if (tiles.has(line.tag)) fill(tiles.get(line.tag), line);
    if (before?.trouble !== line.trouble) isMoved = true;
    if (before?.fields[0]?.name !== line.fields[0]?.name) isAnother = true;
  }
  if (isAnother) askForTrends();
  if (!isMoved) return;
  count();
  soon();
}

for (const each of [search, area, order, abnormal]) each.addEventListener("input", draw);
setInterval(() => {
  for (const [tag, tile] of tiles) if (tile.isConnected && lines.has(tag)) fill(tile, lines.get(tag));
  askForTrends();
}, 15000);
follow({ again: load, meters: take });
