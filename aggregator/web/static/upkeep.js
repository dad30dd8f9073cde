// Upkeep: what meters need, worst first, a part at a time.

import { get } from "/static/ask.js";
import { serverTime } from "/static/live.js";
import { mark, node, span, unit, value } from "/static/words.js";

const EVERY = 30000; // ms between two looks
const rows = document.getElementById("rows");
const counts = document.getElementById("counts");
const more = document.getElementById("more");
const kind = document.getElementById("kind");
const area = document.getElementById("area");
const every = document.getElementById("every");
let meters = [];
let told = { count: 0, of: 0, needs: {} };

const inDays = (days) => (Math.floor(days) === 1 ? "1 day" : `${Math.floor(days)} days`);

// Each kind of need with the shape it is shown by, and its own figure in words.
const SHOWN = {
  "no node": ["bad", () => "no node"],
  "silent": ["stale", (seconds) => `silent for ${span(seconds)}`],
  "never heard": ["bad", () => "never heard"],
  "battery low": ["high", () => "battery low"],
  "calibration overdue": ["medium", (days) => `calibration overdue by ${inDays(-days)}`],
  "stuck": ["uncertain", () => "value stands still"],
  "weak link": ["medium", (dB) => `weak link, ${value(dB, 2)} dB to spare`],
  "uplinks lost": ["medium", (percent) => `${value(percent, 2)} % of uplinks lost`],
  "calibration due": ["low", (days) => `calibration due in ${inDays(days)}`],
};

function needs(meter) {
  const list = node("ul", { class: "needs" });
  for (const need of meter.needs) {
    const [shape, words] = SHOWN[need.kind] ?? ["note", () => need.kind];
    list.append(node("li", {}, mark(shape, words(need.value))));
  }
  return meter.needs.length ? list : "nothing";
}

function row(meter) {
  const now = serverTime();
  const battery = meter.battery === null ? "–" : `${value(meter.battery, 3)} ${unit(meter.battery_unit)}`;
  const radio = meter.snr === null ? null : `SNR ${value(meter.snr, 3)} dB, RSSI ${value(meter.rssi, 3)} dBm, SF${meter.spreading_factor ?? "?"}`;
  return node("tr", {},
    node("th", { scope: "row" }, node("a", { href: `/meters/${encodeURIComponent(meter.tag)}`, text: meter.tag }), node("div", { class: "hint", text: `${meter.name}, ${meter.area}` })),
    node("td", { "data-label": "Needs" }, needs(meter)),
    node("td", { "data-label": "Battery", class: "number", text: battery, title: meter.battery_low === null ? null : `low below ${meter.battery_low} ${meter.battery_unit}` }),
    node("td", { "data-label": "Margin", class: "number", text: meter.margin === null ? "–" : `${value(meter.margin, 3)} dB`, title: radio }),
    node("td", { "data-label": "Lost in a day", class: "number", text: meter.loss === null ? "–" : `${value(meter.loss, 2)} %` }),
    node("td", { "data-label": "Last heard", text: meter.heard === null ? "never" : `${span(now - meter.heard)} ago` }),
    node("td", { "data-label": "Calibration due", text: meter.calibration_due === null ? "not declared" : new Date(meter.calibration_due * 1000).toISOString().slice(0, 10) }),
  );
}

function options(select, names) {
  const chosen = select.value;
  const first = select.options[0];
  select.replaceChildren(first, ...names.map((each) => node("option", { value: each.split(" (")[0], text: each })));
  select.value = [...select.options].some((each) => each.value === chosen) ? chosen : "";
}

function draw() {
  const shown = meters.filter((each) => (!area.value || each.area === area.value) && (!kind.value || each.needs.some((need) => need.kind === kind.value)));
  rows.replaceChildren(...shown.map(row));
  if (!shown.length) rows.append(node("tr", {}, node("td", { colspan: 7, text: "No meter needs anything." })));
  rows.removeAttribute("aria-busy");
  counts.textContent = `${told.count} of ${told.of} meters${every.checked ? "" : " need something"}`;
  more.hidden = meters.length >= told.count;
}

async function load(from = 0) {
  told = await get("/upkeep", { all: every.checked, from });
  meters = from ? [...meters, ...told.meters] : told.meters;
  options(kind, Object.entries(told.needs).map(([name, count]) => `${name} (${count})`));
  options(area, [...new Set(meters.map((each) => each.area))].sort());
  draw();
}

every.addEventListener("input", () => load());
for (const each of [kind, area]) each.addEventListener("input", draw);
more.addEventListener("click", () => load(meters.length));
setInterval(() => { if (!document.hidden && meters.length <= 300) load(); }, EVERY);
load();
