// How things are written: numbers, times, ages, and the shape and word that go with everything abnormal.

const SVG = "http://www.w3.org/2000/svg";

// An element: node("p", {class: "hint", text: "..."}, child, ...). Text is always set as text, never as markup.
export function node(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "text") made.textContent = value;
    else if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else made.setAttribute(key, value === true ? "" : value);
  }
  made.append(...children.filter((each) => each !== null && each !== undefined));
  return made;
}

export function svg(name, attributes = {}, ...children) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

// The element of the page with this id.
export const at = (id) => document.getElementById(id);

// What a list of facts holds: pairs of a name and what is shown, as text or as elements.
export const facts = (rows) => rows.flatMap(([name, ...shown]) => [node("dt", { text: name }), node("dd", {}, ...shown.map((each) => each instanceof Node ? each : String(each)))]);

// A value as people read it: as many digits as tell something, and a dash for none.
export function value(number, digits = 4) {
  if (number === null || number === undefined) return "–";
  if (typeof number !== "number") return String(number);
  const size = Math.abs(number);
  if (size !== 0 && (size >= 1e9 || size < 1e-4)) return number.toExponential(2);
  const places = Math.max(0, digits - 1 - Math.floor(Math.log10(size || 1)));
  return number.toLocaleString("en-GB", { maximumFractionDigits: Math.min(places, 4) });
}

export const unit = (text) => (text === "-" ? "" : text);

// A value or limit of an alarm: a rate in the unit in which people wrote it, whatever the registers show.
export function limit({ unit: own, written }, number) {
  if (number === null || number === undefined) return "–";
  return `${value(number * (written?.times ?? 1))} ${unit(written?.unit ?? own ?? "")}`.trim();
}

// A length of time, as the service writes it (span_words).
export function span(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  const two = (number) => String(number).padStart(2, "0");
  if (s < 120) return `${s} s`;
  if (s < 7200) return `${Math.floor(s / 60)} min`;
  if (s < 172800) return `${Math.floor(s / 3600)} h ${two(Math.floor((s % 3600) / 60))} min`;
  return `${Math.floor(s / 86400)} d ${two(Math.floor((s % 86400) / 3600))} h`;
}

export function clock(utc) {
  if (utc === null || utc === undefined) return "–";
  const at = new Date(utc * 1000);
  const today = new Date().toDateString() === at.toDateString();
  const time = at.toLocaleTimeString("en-GB");
  return today ? time : `${at.toLocaleDateString("en-CA")} ${time}`;
}

// Shapes: an octagon for critical, a triangle for high, a diamond for medium, a square for low; a broken ring for
// readings that are in doubt, a clock for silence. Filled while somebody has yet to take note, hollow after.
const SHAPES = {
  critical: "M6 1h8l5 5v8l-5 5H6l-5-5V6z",
  high: "M10 1 19 18H1z",
  medium: "M10 1 19 10 10 19 1 10z",
  low: "M3 3h14v14H3z",
};

export function mark(kind, words, filled = true) {
  const drawing = svg("svg", { viewBox: "0 0 20 20", "aria-hidden": "true" });
  if (kind in SHAPES) {
    const style = filled ? { fill: "currentcolor" } : { fill: "none", stroke: "currentcolor", "stroke-width": "2" };
    drawing.append(svg("path", { d: SHAPES[kind], ...style }));
  } else {
    drawing.append(svg("circle", { cx: 10, cy: 10, r: 8, fill: "none", stroke: "currentcolor", "stroke-width": 2, ...(kind === "stale" ? {} : { "stroke-dasharray": "4 3" }) }));
    const hands = { stale: "M10 5v5l4 3", bad: "M6 6l8 8M14 6l-8 8", uncertain: "M7.5 8a2.5 2.5 0 1 1 3 2.6V12M10.4 14.6v.6" }[kind] ?? "M10 6v5M10 13.5v1";
    drawing.append(svg("path", { d: hands, fill: "none", stroke: "currentcolor", "stroke-width": 2 }));
  }
  const made = node("span", { class: `mark ${kind}` });
  made.append(drawing, words);
  return made;
}

// What is the matter with a meter, worst first, as marks; nothing where all is well. The words are the service's own.
export function matters(line, now) {
  const found = [];
  if (line.alarm) {
    const more = line.alarm.more ? `, and ${line.alarm.more} more` : "";
    found.push(mark(line.alarm.priority, `${line.alarm.says}${more}`, line.alarm.owed));
  }
  const silence = line.silence.map(({ says, since }) => says.replace("{age}", span(now - since)));
  if (silence.length) found.push(mark(line.heard === null ? "bad" : "stale", silence.join("; ")));
  const others = line.reasons.filter((each) => !(line.alarm?.in_test && each === "under test"));
  if (others.length) found.push(mark(line.grade === 3 ? "bad" : line.grade === 2 ? "uncertain" : "note", others.join(", ")));
  return found;
}
