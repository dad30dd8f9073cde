// A field over time, drawn as SVG: a line through readings, broken where none came; where a column of the screen holds
// many, the band from lowest to highest; limits of alarms and when they were raised; hollow points for what is in doubt.

import { clock, svg, unit, value } from "/static/words.js";

const RIGHT = 12, TOP = 22, BOTTOM = 30; // px around what is drawn; left of it there is room for the numbers
const LETTER = 7; // px, the width of a digit in text of 12 px
const A_TIME = 70, A_NUMBER = 45; // px that a label of an axis needs at the least
const LEAST_TREND = 1 / 8; // of the time that a trend shows
const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800, 1209600, 2592000, 7776000];

// Round numbers for an axis that has room for so many.
function numbers(low, high, most) {
  const rough = (high - low) / most || 1;
  const size = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].find((each) => each * size >= rough) * size;
  const found = [];
  for (let each = Math.ceil(low / step) * step; each <= high + step * 1e-9; each += step) found.push(Number(each.toPrecision(12)));
  return found;
}

function times(since, until, most) {
  const step = STEPS.find((each) => (until - since) / each <= most) ?? STEPS.at(-1);
  const shift = new Date(since * 1000).getTimezoneOffset() * 60;
  const found = [];
  for (let each = Math.ceil((since - shift) / step) * step + shift; each <= until; each += step) found.push(each);
  return found.map((each) => [each, timeWords(each, step)]);
}

function timeWords(at, step) {
  const moment = new Date(at * 1000);
  const day = moment.toLocaleDateString("en-GB", { day: "numeric", month: "short" });
  if (step >= 86400) return day;
  const time = moment.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", ...(step < 60 ? { second: "2-digit" } : {}) });
  return time === "00:00" ? day : time;
}

// What is drawn, as runs without a gap: each point [at, value, lowest, highest, grade].
function runs(told) {
  const found = [];
  let run = [];
  const points = told.samples.length
    ? told.samples.map((each) => [each.at, each.value, each.value, each.value, each.grade, each.after_gap])
    : told.buckets.map((each) => each.last && [each.last[0], each.last[1], each.lowest[1], each.highest[1], each.grade, each.after_gap]);
  for (const point of points) {
    if (!point || typeof point[1] !== "number" || point[5]) {
      if (run.length) found.push(run);
      run = [];
    }
    if (point && typeof point[1] === "number") run.push(point);
  }
  if (run.length) found.push(run);
  return found;
}

const redraws = new WeakMap(); // holder -> its chart once more, by another width
const widths = new ResizeObserver((entries) => {
  for (const { target } of entries) redraws.get(target)();
});

// Draw into `holder`, as wide as it is, and again whenever it has become wider or narrower. `limits` are [{value, words,
// kind}], `events` [{at, words, kind}]; `pick` is told what is pointed at.
export function draw(holder, told, limits, events, pick) {
  let drawn = holder.clientWidth;
  const once = () => { drawn = holder.clientWidth; drawInto(holder, told, limits, events, pick); };
  redraws.set(holder, () => { if (holder.clientWidth !== drawn) once(); });
  widths.observe(holder);
  once();
}

function drawInto(holder, told, limits, events, pick) {
  const width = Math.max(240, holder.clientWidth), height = Math.round(Math.min(340, Math.max(230, width * 0.3)));
  const found = runs(told);
  const all = found.flat();
  const drawing = svg("svg", { viewBox: `0 0 ${width} ${height}`, width, height, role: "img", tabindex: "0", "aria-label": wordsOf(told, all) });
  let low = Math.min(...all.map((each) => each[2])), high = Math.max(...all.map((each) => each[3]));
  if (!all.length) [low, high] = [0, 1];
  const near = limits.filter((each) => each.value >= low - (high - low || 1) * 1.5 && each.value <= high + (high - low || 1) * 1.5);
  low = Math.min(low, ...near.map((each) => each.value));
  high = Math.max(high, ...near.map((each) => each.value));
  if (high === low) [low, high] = [low - Math.abs(low || 1) * 0.1, high + Math.abs(high || 1) * 0.1];
  const margin = (high - low) * 0.05;
  [low, high] = [low - margin, high + margin];
  const rungs = numbers(low, high, (height - TOP - BOTTOM) / A_NUMBER).map((each) => [each, value(each, 5)]);
  const left = 14 + LETTER * Math.max(3, ...rungs.map(([, words]) => words.length)), right = width - RIGHT, bottom = height - BOTTOM;
  const x = (at) => left + (at - told.since) / (told.until - told.since) * (right - left);
  const y = (number) => bottom - (number - low) / (high - low) * (bottom - TOP);
  const text = (attributes, words) => { const made = svg("text", attributes); made.textContent = words; return made; };

  for (const [each, words] of rungs) {
    drawing.append(svg("path", { class: "grid", d: `M${left} ${y(each)}H${right}` }), text({ x: left - 8, y: y(each) + 4, "text-anchor": "end" }, words));
  }
  for (const [at, words] of times(told.since, told.until, (right - left) / A_TIME)) {
    const half = words.length * LETTER / 2;
    drawing.append(svg("path", { class: "grid", d: `M${x(at)} ${TOP}V${bottom}` }), text({ x: Math.min(x(at), width - half), y: height - 10, "text-anchor": "middle" }, words));
  }
  drawing.append(text({ x: 4, y: 13 }, unit(told.unit)));
  const band = found.filter((run) => run.some((each) => each[2] !== each[3]));
  for (const run of band) {
    const up = run.map((each) => `${x(each[0]).toFixed(1)} ${y(each[3]).toFixed(1)}`), down = run.toReversed().map((each) => `${x(each[0]).toFixed(1)} ${y(each[2]).toFixed(1)}`);
    drawing.append(svg("path", { class: "band", d: `M${[...up, ...down].join("L")}z` }));
  }
  for (const run of found) {
    if (run.length > 1) drawing.append(svg("path", { class: "line", d: `M${run.map((each) => `${x(each[0]).toFixed(1)} ${y(each[1]).toFixed(1)}`).join("L")}` }));
    for (const each of run) {
      const doubtful = each[4] !== "good";
      if (doubtful || run.length === 1 || all.length < 80) drawing.append(svg("circle", { class: doubtful ? "doubt" : "dot", cx: x(each[0]).toFixed(1), cy: y(each[1]).toFixed(1), r: doubtful ? 3.2 : 2 }));
    }
  }
  for (const each of near) {
    drawing.append(svg("path", { class: `limit ${each.kind}`, d: `M${left} ${y(each.value)}H${right}` }), text({ class: each.kind, x: right - 4, y: y(each.value) - 4, "text-anchor": "end" }, each.words));
  }
  for (const each of events.filter((one) => one.at >= told.since && one.at <= told.until)) {
    const made = svg("path", { class: `event ${each.kind}`, d: `M${x(each.at)} ${TOP}l-6 -10h12z` });
    const title = svg("title");
    title.textContent = `${clock(each.at)} ${each.words}`;
    made.append(title);
    drawing.append(svg("path", { class: `event-line ${each.kind}`, d: `M${x(each.at)} ${TOP}V${bottom}` }), made);
  }
  if (!all.length) drawing.append(text({ x: (left + right) / 2, y: height / 2, "text-anchor": "middle" }, "No readings were kept of this time."));
  pointing(drawing, all, x, y, bottom, told, pick);
  const isFocused = holder.contains(document.activeElement);
  holder.replaceChildren(drawing);
  if (isFocused) drawing.focus({ preventScroll: true });
}

function wordsOf(told, all) {
  if (!all.length) return `${told.field}: no readings`;
  const values = all.flatMap((each) => [each[2], each[3]]);
  return `${told.field} from ${clock(told.since)} to ${clock(told.until)}: ${told.count} readings, ${value(Math.min(...values))} to ${value(Math.max(...values))} ${unit(told.unit)}. Arrow keys tell them one by one.`;
}

// A cross where the mouse, finger or arrow keys point, and the reading there in words.
function pointing(drawing, all, x, y, bottom, told, pick) {
  if (!all.length) return;
  const cross = svg("path", { class: "cross", d: "" });
  drawing.append(cross);
  let at = all.length;
  const show = (index) => {
    at = Math.max(0, Math.min(all.length - 1, index));
    const [when, shown, lowest, highest, grade] = all[at];
    cross.setAttribute("d", `M${x(when)} ${TOP}V${bottom}M${x(when) - 5} ${y(shown)}h10`);
    const range = lowest === highest ? "" : `, from ${value(lowest)} to ${value(highest)} about then`;
    pick(`${clock(when)}: ${value(shown)} ${unit(told.unit)}${range}; ${grade}`);
  };
  drawing.addEventListener("pointermove", (event) => {
    const wanted = event.clientX - drawing.getBoundingClientRect().left;
    let nearest = 0;
    for (const [index, each] of all.entries()) if (Math.abs(x(each[0]) - wanted) < Math.abs(x(all[nearest][0]) - wanted)) nearest = index;
    show(nearest);
  });
  drawing.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: -20, PageDown: 20, Home: -all.length, End: all.length }[event.key];
    if (step === undefined) return;
    event.preventDefault();
    show(at + step);
  });
}

// A trend without axes, for a tile; none where the readings span so little of the time that it would be a mere tick.
export function sketch(told) {
  const found = runs(told), all = found.flat();
  const drawing = svg("svg", { class: "trend-box", viewBox: "0 0 90 26", "aria-hidden": "true" });
  if (all.length < 2 || all.at(-1)[0] - all[0][0] < (told.until - told.since) * LEAST_TREND) return drawing;
  const low = Math.min(...all.map((each) => each[2])), high = Math.max(...all.map((each) => each[3]));
  const x = (at) => 1 + (at - told.since) / (told.until - told.since) * 88;
  const y = (number) => 24 - (high === low ? 11 : (number - low) / (high - low) * 22);
  for (const run of found) drawing.append(svg("path", { class: "trend", d: `M${run.map((each) => `${x(each[0]).toFixed(1)} ${y(each[1]).toFixed(1)}`).join("L")}${run.length === 1 ? "h.5" : ""}` }));
  return drawing;
}
