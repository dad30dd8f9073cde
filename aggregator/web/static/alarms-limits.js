// Every alarm that is declared, of one meter or group or of all, with what it watches for and how soon it can tell.

import { askSetpoint, say, serve, titleOf } from "/static/alarm-acts.js";
import { get, mayEngineer } from "/static/ask.js";
import { follow } from "/static/live.js";
import { limit, mark, node, span } from "/static/words.js";

const form = document.getElementById("ask");
const of = document.getElementById("of");
const counts = document.getElementById("counts");
const limits = document.getElementById("limits");
const titles = ["Priority", "Alarm", "Setpoint", "In the file", "May be", "Told within", "State", ...(mayEngineer ? ["Acts"] : [])];
const NUMBERS = new Set(["Setpoint", "In the file"]);
const WORST_FIRST = ["critical", "high", "medium", "low"];

const inOrder = (a, b) => a.localeCompare(b, "en", { numeric: true });
const byMeter = (a, b) => inOrder(a.tag, b.tag) || WORST_FIRST.indexOf(a.priority) - WORST_FIRST.indexOf(b.priority) || inOrder(a.alarm, b.alarm);

function acts(alarm) {
  const isOut = alarm.state === "out of service";
  const named = (text, job) => node("button", { type: "button", text, "aria-label": `${text}: ${titleOf(alarm)}`, onclick: () => job().then(load) });
  return node("td", {}, node("div", { class: "buttons" },
    ...(alarm.may_be ? [named("Setpoint…", () => askSetpoint(alarm))] : []),
    named(isOut ? "Put into service" : "Take out of service", () => serve(alarm, isOut))));
}

function row(alarm) {
  const changed = alarm.setpoint !== alarm.setpoint_of_file;
  return node("tr", {},
    node("td", {}, alarm.state === "normal" ? alarm.priority : mark(alarm.priority, alarm.priority, alarm.owed)),
    node("th", { scope: "row" }, alarm.name ? node("a", { href: `/meters/${encodeURIComponent(alarm.tag)}`, text: alarm.tag }) : `group ${alarm.tag}`, ` ${alarm.alarm}`),
    node("td", { class: "number" }, changed ? node("strong", { text: limit(alarm, alarm.setpoint) }) : limit(alarm, alarm.setpoint)),
    node("td", { class: "number", text: limit(alarm, alarm.setpoint_of_file) }),
    node("td", { text: alarm.may_be ? `${limit(alarm, alarm.may_be[0])} to ${limit(alarm, alarm.may_be[1])}` : "as in the file" }),
    node("td", { text: alarm.detected_within === null ? "–" : span(alarm.detected_within) }),
    node("td", { text: alarm.state }),
    ...(mayEngineer ? [acts(alarm)] : []));
}

async function load() {
  try {
    const told = await get("/alarms", { all: true, of: of.value.trim() });
    const shown = told.alarms.sort(byMeter);
    const head = node("thead", {}, node("tr", {}, ...titles.map((text) => node("th", { scope: "col", class: NUMBERS.has(text) ? "number" : null, text }))));
    limits.replaceChildren(shown.length ? node("table", {}, head, node("tbody", {}, ...shown.map(row))) : node("p", { class: "hint", text: "No alarm is declared there." }));
    const more = told.count - shown.length;
    counts.textContent = more > 0 ? `${shown.length} of ${told.count} alarms; name a meter or a group for the others` : `${shown.length} alarms`;
  } catch (error) {
    limits.replaceChildren();
    counts.textContent = "";
    say(error.message, true);
  }
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  say("");
  history.replaceState(null, "", of.value.trim() ? `?of=${encodeURIComponent(of.value.trim())}` : location.pathname);
  load();
});
of.value = new URLSearchParams(location.search).get("of") ?? "";
follow({ again: load });
