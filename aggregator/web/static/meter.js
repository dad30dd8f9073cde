// One meter: what it shows now, its history, what can be done about it by hand, and where it stands in the map.

import { get, mayEngineer, mayOperate, post } from "/static/ask.js";
import { draw } from "/static/chart.js";
import { ask } from "/static/dialog.js";
import { showLink } from "/static/links.js";
import { follow, serverTime } from "/static/live.js";
import { at, clock, facts, limit, mark, node, span, unit, value } from "/static/words.js";

const tag = document.body.dataset.tag;
const path = `/meters/${encodeURIComponent(tag)}`;
const MOST_POINTS = 600;
const YOUNG = 1 / 4; // of the time asked for: a history that is shorter has the axis of times to itself
const LEAST_AXIS = 600; // s
const TABLES = { coil: "coil", discrete: "discrete input", input: "input register", holding: "holding register" };
let meter = null;
let until = null; // the end of what the chart shows; null follows the present

const worded = (grade, words) => (grade === "good" ? words : mark(grade, words));

function quality(field) {
  if (field.optional && field.age === null && !field.substitute) return node("span", { class: "hint", text: "not sent yet; it need not be" });
  const reasons = field.reasons.map((each) => (each === "stale" ? `silent for ${span(field.age)}` : each));
  if (meter.under_test) reasons.push("under test");
  const grade = meter.under_test && field.grade === "good" ? "uncertain" : field.grade; // nothing of a meter under test is good
  return worded(grade, reasons.length ? `${grade}: ${reasons.join(", ")}` : grade);
}

function showFields() {
  at("fields").replaceChildren(...meter.fields.map((field) => node("tr", {},
    node("th", { scope: "row" }, field.label || field.field, field.computed ? node("div", { class: "hint", text: "computed" }) : ""),
    node("td", { "data-label": "Value", class: "number" }, node("div", {}, node("b", { text: value(field.value, 6) }), ` ${unit(field.unit)}`, field.substitute ? node("div", { class: "hint", text: `entered by ${field.substitute.who}; the meter reads ${value(field.read, 6)}` }) : "")),
    node("td", { "data-label": "Quality" }, quality(field)),
    node("td", { "data-label": "Observed", text: field.age === null ? "never" : `${span(field.age)} ago` }),
    node("td", { "data-label": "Measures", text: field.low === null && field.high === null ? "–" : `${value(field.low)} to ${value(field.high)} ${unit(field.unit)}` }),
    node("td", { "data-label": "Total so far", class: "number", text: field.total === null ? "–" : `${value(field.total, 9)} ${unit(field.unit)}` }),
  )));
}

const isStanding = (alarm) => alarm.owed || ((!alarm.aside || alarm.in_test) && alarm.condition);

function heldWords() {
  const { who, why, since } = meter.test;
  return `In test since ${clock(since)}, by ${who}${why ? `: ${why}` : ""}.`;
}

function showMatters() {
  const found = meter.alarms.filter((each) => each.state !== "normal").map((each) => mark(each.priority, each.says, each.owed));
  const words = meter.says;
  if (meter.grade !== "good" || meter.reasons.length) found.push(mark(meter.grade === "good" ? "note" : meter.reasons.includes("stale") ? "stale" : meter.grade, words));
  if (meter.test) found.push(node("span", { class: "hint", text: heldWords() }));
  at("matters").replaceChildren(...(found.length ? found.map((each) => node("p", {}, each)) : [node("p", { class: "hint", text: `Well: every reading is good, the last ${meter.age === null ? "" : `${span(meter.age)} ago`}.` })]));
}

function showRadio() {
  const { rssi, snr, spreading_factor: factor } = meter.radio;
  const battery = meter.battery;
  at("radio").replaceChildren(...facts([
    ["Node", node("span", { class: "code", text: meter.node ?? "not linked" })],
    ["Signal", rssi === null && snr === null ? "nobody says" : `RSSI ${value(rssi)} dBm, SNR ${value(snr)} dB, SF${factor ?? "?"}`],
    ["Frame counter", meter.counter ?? "–"],
    ["Lost in a day", meter.loss.over_a_day === null ? "–" : `${value(meter.loss.over_a_day, 3)} %`],
    ["Lost since the start", value(meter.loss.since_start, 9)],
    ["Reports every", span(meter.reports_every)],
    ["Stale after", span(meter.stale_after)],
    ["Battery", battery === null ? "not measured" : battery.value === null ? "not heard yet" : `${value(battery.value)} ${unit(battery.unit)}${battery.low_below === null ? "" : ` (low below ${battery.low_below})`}`],
  ]));
}

function showAlarms() {
  at("alarms").replaceChildren(...meter.alarms.map((each) => node("li", {},
    each.state === "normal" ? node("span", { text: each.says }) : mark(each.priority, each.says, each.owed),
    each.setpoint === null ? "" : node("span", { class: "hint", text: ` at ${limit(each, each.setpoint)}` }))));
  if (!meter.alarms.length) at("alarms").append(node("li", { class: "hint", text: "None are declared." }));
}

function showHand() {
  if (!mayOperate) return;
  if (mayEngineer) at("total").hidden = !meter.fields.some((each) => each.counts);
  at("test").textContent = meter.under_test ? "End the test" : "Hold in test…";
  const entered = meter.fields.filter((each) => each.substitute);
  at("substitutes").replaceChildren(...entered.map((each) => node("li", {}, `${each.field} shows ${value(each.substitute.value)} ${unit(each.unit)} until ${clock(each.substitute.until)}, entered by ${each.substitute.who}${each.substitute.why ? `: ${each.substitute.why}` : ""} `,
    mayEngineer ? node("button", { text: "Withdraw", onclick: () => act("withdraw", { field: each.field }, `${each.field} shows readings again.`) }) : "")));
}

async function act(name, body, said) {
  try {
    await post(`${path}/${name}`, body);
    at("said").textContent = said;
  } catch (error) {
    at("said").textContent = error.message;
    throw error;
  } finally {
    await load();
  }
}

async function load() {
  meter = await get(path);
  at("name").textContent = meter.name;
  at("about").textContent = `${meter.area}, model ${meter.profile}`;
  showFields();
  showMatters();
  showRadio();
  showAlarms();
  showHand();
}

// History

// Where a field's history begins, if most of the time asked for lies before that; else null.
async function beginning(field, told) {
  const first = told.samples[0]?.at ?? told.buckets[0]?.begin;
  if (first === undefined || told.until - first >= (told.until - told.since) * YOUNG) return null;
  const before = await get(`${path}/readings`, { fields: [field], until: told.since, most: 1 });
  return before.rows.length ? null : first;
}

async function drawChart() {
  const field = at("field").value;
  if (!field) return;
  const end = until ?? serverTime();
  const since = end - Number(at("span").value);
  const told = await get(`${path}/chart`, { field, since, until: end, most: MOST_POINTS });
  told.unit ||= meter.fields.find((each) => each.field === field).unit;
  const limits = meter.alarms.filter((each) => each.setpoint !== null && each.field === field && each.unit === told.unit).map((each) => ({ value: each.setpoint, words: each.alarm, kind: each.priority }));
  const priorities = Object.fromEntries(meter.alarms.map((each) => [each.alarm, each.priority]));
  const events = (await get("/journal", { tag: [tag], about_alarms: true, since, until: end, most: 100 })).rows
    .filter((each) => each.event === "alarm raised")
    .map((each) => ({ at: Date.parse(each.at) / 1000, words: each.facts.alarm, kind: priorities[each.facts.alarm] ?? "medium" }));
  const begun = await beginning(field, told);
  if (begun !== null) told.since = Math.max(told.since, end - Math.max(LEAST_AXIS, (end - begun) * 1.03));
  draw(at("chart"), told, limits, events, (words) => { at("point").textContent = words; });
  at("chart").parentElement.removeAttribute("aria-busy");
  const drawn = told.buckets.length ? `Each column spans ${span(told.width)}; the band is from lowest to highest in it. A break in the line is a time without readings.` : "A break in the line is a time without readings; hollow points are in doubt.";
  at("caption").textContent = begun === null ? drawn : `The first reading was kept at ${clock(begun)}, so less is shown than was asked for. ${drawn}`;
  at("drawn").textContent = `${value(told.count, 9)} ${told.count === 1 ? "reading" : "readings"}`;
  at("later").disabled = until === null;
}

function move(by) {
  const width = Number(at("span").value);
  const end = (until ?? serverTime()) + by * width;
  until = end >= serverTime() ? null : end;
  drawChart();
}

let after = null;
async function readings(fresh) {
  const told = await get(`${path}/readings`, { fields: at("field").value ? [at("field").value] : [], most: 50, after: fresh ? null : after });
  const rows = told.rows.map((each) => node("tr", {}, node("td", { class: "code", text: each.at.replace("T", " ").slice(0, 19) }), node("td", { text: each.field }), node("td", { class: "number", text: value(each.value, 8) }), node("td", { text: [each.grade, ...each.reasons].join(", ") })));
  if (fresh) at("readings").replaceChildren();
  at("readings").append(...rows);
  after = told.after;
  at("more").hidden = after === null;
}

// Map, uplinks

async function places() {
  if (!at("in-the-map").open) return;
  const told = await get(`${path}/places`);
  at("places").replaceChildren(...told.places.map((each) => node("tr", {},
    node("td", { "data-label": "Device", text: each.device === String(each.unit_id) ? `unit ${each.unit_id}` : `${each.device}, unit ${each.unit_id}` }), node("td", { "data-label": "Table", text: TABLES[each.table] }),
    node("td", { "data-label": "Address", class: "number", text: each.size > 1 ? `${each.address}–${each.address + each.size - 1}` : each.address }), node("td", { "data-label": "Item", text: each.title }), node("td", { "data-label": "Type", text: each.type }),
    node("td", { "data-label": "Holds", class: "code", text: each.raw ?? `exception ${each.exception.toString(16).padStart(2, "0").toUpperCase()}` }),
    node("td", { "data-label": "Means", text: each.value === undefined ? "–" : `${typeof each.value === "boolean" ? (each.value ? "on" : "off") : value(each.value, 8)} ${unit(each.unit ?? "")}` }), node("td", { "data-label": "Line", class: "code", text: each.declared_at }))));
  if (!told.places.length) at("places").append(node("tr", {}, node("td", { colspan: 8, text: "It is not in the map." })));
}

async function uplinks() {
  const told = await get(`${path}/uplinks`);
  const open = new Set([...document.querySelectorAll("#uplinks details[open]")].map((each) => each.dataset.at));
  at("uplinks").replaceChildren(...told.uplinks.map((each) => {
    const radio = each.radio.snr === null ? "" : `, SNR ${value(each.radio.snr)} dB`;
    const made = node("details", { "data-at": each.at }, node("summary", { text: `${clock(each.at)}, frame ${each.counter ?? "–"}, port ${each.port ?? "–"}${radio}${each.wrong ? `: ${each.wrong}` : ""}` }),
      node("p", { class: "code", text: each.payload ?? JSON.stringify(each.decoded) }),
      node("p", { class: "hint", text: `${each.topic}${each.way ? `; read as ${each.way}` : ""}` }),
      node("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "How it reads" }, node("table", {}, node("thead", {}, node("tr", {}, ...["Where", "Bytes", "Field", "Raw", "Scale", "Value", "Quality"].map((name) => node("th", { scope: "col", text: name })))),
        node("tbody", {}, ...each.steps.map((step) => node("tr", {}, node("td", { class: "code", text: step.where }), node("td", { class: "code", text: step.data }), node("td", { text: step.label || step.field }), node("td", { class: "number", text: step.raw ?? "–" }), node("td", { text: step.scale }), node("td", { class: "number", text: step.says ?? `${value(step.value, 8)} ${unit(step.unit)}` }), node("td", {}, worded(step.quality.split(":")[0], step.quality))))))));
    made.open = open.has(String(each.at));
    return made;
  }));
  if (!told.uplinks.length) at("uplinks").append(node("p", { class: "hint", text: "None since the service started." }));
}

// Asking for something by a dialog

const choice = (name, label, options) => node("label", {}, label, node("select", { name }, ...options.map(([key, words]) => node("option", { value: key, text: words }))));
const numeric = (name, label, required = true) => node("label", {}, label, node("input", { name, type: "number", step: "any", required, inputmode: "decimal" }));
const LASTS = [[3600, "an hour"], [28800, "8 hours"], [86400, "a day"], [604800, "a week"], [2592000, "30 days"]];

function askSubstitute() {
  const fields = meter.fields.filter((each) => !each.computed).map((each) => [each.field, `${each.label || each.field}${unit(each.unit) ? `, ${unit(each.unit)}` : ""}`]);
  ask("Show a value in place of the readings", [choice("field", "Field", fields), numeric("value", "Value"), choice("lasts", "For", LASTS), node("label", {}, "Why", node("input", { name: "why", maxlength: 200 }))],
    { main: "Show it", job: (form) => act("substitute", { field: form.get("field"), value: Number(form.get("value")), lasts: Number(form.get("lasts")), why: form.get("why") }, "The value is shown, marked as entered by hand.") });
}

function askTotal() {
  const fields = meter.fields.filter((each) => each.counts).map((each) => [each.field, `${each.label || each.field}, ${unit(each.unit)}`]);
  ask("Set the running total, as when the meter is exchanged", [choice("field", "Field", fields), numeric("total", "Total so far"), numeric("counter", "What the new meter shows, if known", false)],
    { main: "Set the total", job: (form) => act("total", { field: form.get("field"), total: Number(form.get("total")), counter: form.get("counter") === "" ? null : Number(form.get("counter")) }, "The total goes on from there.") });
}

function askTest() {
  if (meter.under_test) {
    act("test", { on: false }, "Out of test.");
    return;
  }
  const standing = meter.alarms.filter(isStanding);
  const told = standing.length
    ? [node("p", { text: "These alarms stand or wait for somebody, and would announce nothing until the test ends:" }), node("ul", { class: "plain" }, ...standing.map((each) => node("li", {}, mark(each.priority, `${each.alarm}: ${each.state}`, each.owed))))]
    : [node("p", { text: "No alarm of it stands now." })];
  ask("Hold this meter in test", [...told, node("p", { class: "hint", text: "Its readings are flagged, and its alarms announce nothing until somebody ends the test." }),
    node("label", {}, "Why, for whoever takes over", node("input", { name: "why", required: true, maxlength: 200, autocomplete: "off" }))],
  { main: "Hold in test", job: (form) => act("test", { on: true, why: form.get("why") }, "In test: its readings are flagged and its alarms announce nothing.") });
}

if (mayOperate) at("test").addEventListener("click", askTest);
if (mayEngineer) {
  at("substitute").addEventListener("click", askSubstitute);
  at("total").addEventListener("click", askTotal);
}
at("earlier").addEventListener("click", () => move(-1));
at("later").addEventListener("click", () => move(1));
at("latest").addEventListener("click", () => { until = null; drawChart(); });
at("span").addEventListener("input", drawChart);
at("field").addEventListener("input", () => { drawChart(); if (at("kept").open) readings(true); });
at("kept").addEventListener("toggle", () => { if (at("kept").open) readings(true); });
at("in-the-map").addEventListener("toggle", places);
at("more").addEventListener("click", () => readings(false));

const PAUSE = 5000; // ms between two looks at what takes the service longer
let looked = 0;
let due = null;

function lookAgain() {
  due ??= setTimeout(() => {
    due = null;
    looked = Date.now();
    places();
    uplinks();
    showLink(at("link"), tag);
    if (until === null) drawChart();
  }, Math.max(0, looked + PAUSE - Date.now()));
}

async function again() {
  await load();
  if (!at("field").options.length) at("field").replaceChildren(...meter.fields.map((each) => node("option", { value: each.field, text: each.label || each.field })));
  looked = Date.now();
  await Promise.all([drawChart(), places(), uplinks(), showLink(at("link"), tag)]);
  document.body.dataset.drawn = "yes";
}

follow({ again, meters(changed) {
  if (!changed.some((each) => each.tag === tag)) return;
  load();
  lookAgain();
} });
setInterval(() => { if (meter && !document.hidden) load(); }, 15000);
