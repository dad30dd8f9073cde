// Standing alarms, worst first, beside whoever else acts on them: the list is asked for anew when something has changed,
// once a second at most, and rows change where they stand. While somebody works in the list no row moves away from
// under the pointer: what is new is added below, what has gone stays as a word, until they are done.

import { act, amount, askSetpoint, askShelve, becameOf, meant, say, serve, titleOf } from "/static/alarm-acts.js";
import { get, mayEngineer, mayOperate } from "/static/ask.js";
import { follow, serverTime } from "/static/live.js";
import { clock, limit, mark, node, span } from "/static/words.js";

const AGAIN = 1000; // ms between two looks, at the least
const STILL = 4000; // ms without a touch after which the list is put in order
const part = Object.fromEntries(["sounder", "sounder-mark", "silence", "summary", "all", "chosen", "standing", "held", "more", "aside-part", "aside", "suppressions-part", "suppressions"].map((id) => [id, document.getElementById(id)]));
const rows = new Map(); // by tag and alarm: {alarm, element, cells, ...}
let touched = -STILL;
let last = 0;
let waiting = null;
let told = null;
let standing = null;
let aside = null;

const keyOf = (alarm) => `${alarm.tag}\n${alarm.alarm}`;
// What the field reads at this moment, apart from what raised its alarm.
function presentOf({ now }) {
  if (!now) return "";
  if (now.value === null) return "now unknown";
  return `now ${amount(now.value, now.unit)}${now.grade === "good" ? "" : `, ${now.grade}`}`;
}

const isHeld = () => performance.now() - touched < STILL;
const firstUpOf = (alarm) => Object.entries(told.first_up).filter(([, [tag, name]]) => tag === alarm.tag && name === alarm.alarm).map(([group]) => group);

function tableOf(where, titles) {
  const body = node("tbody", { role: "rowgroup" });
  const heads = titles.map((text) => node("th", { scope: "col", role: "columnheader" }, text || node("span", { class: "visually-hidden", text: "choose" })));
  where.replaceChildren(node("table", { class: "alarms", role: "table" }, node("thead", { role: "rowgroup" }, node("tr", { role: "row" }, ...heads)), body));
  return body;
}

// Rows

function button(text, alarm, job) {
  return node("button", { type: "button", "aria-label": `${text}: ${titleOf(alarm)}`, text, onclick: () => job().then(load) });
}

function makeRow(alarm) {
  const row = { alarm, gone: false, element: node("tr", { role: "row" }), acts: node("td", { role: "cell", class: "acts" }) };
  const name = node("th", { scope: "row", role: "rowheader", class: "name" });
  row.cells = { name, ...Object.fromEntries(["state", "value", "since", "what"].map((each) => [each, node("td", { role: "cell", class: each === "state" ? "standing" : each })])) };
  row.element.dataset.alarm = titleOf(alarm);
  if (mayOperate) {
    row.choice = node("input", { type: "checkbox", "aria-label": `choose ${titleOf(alarm)}`, onchange: showButtons });
    row.element.append(node("td", { role: "cell", class: "choose" }, row.choice));
  }
  row.element.append(...Object.values(row.cells));
  if (mayOperate) {
    addActs(row);
    row.element.append(row.acts);
  }
  return row;
}

function addActs(row) {
  const acknowledge = () => acknowledgeThese([row]);
  const reset = () => act("reset", meant(row.alarm), becameOf);
  row.acknowledge = button("Acknowledge", row.alarm, acknowledge);
  row.reset = button("Reset", row.alarm, reset);
  row.shelve = button("Shelve…", row.alarm, () => askShelve(row.alarm));
  row.unshelve = button("Bring back", row.alarm, () => act("unshelve", meant(row.alarm), becameOf));
  row.setpoint = button("Setpoint…", row.alarm, () => askSetpoint(row.alarm));
  row.takeOut = button("Take out of service", row.alarm, () => serve(row.alarm, false));
  row.putBack = button("Put into service", row.alarm, () => serve(row.alarm, true));
  row.others = node("details", {}, node("summary", { "aria-label": `More about ${titleOf(row.alarm)}`, text: "More" }), node("div", { class: "buttons" }, row.shelve, row.setpoint, row.takeOut));
  row.acts.append(row.acknowledge, row.reset, row.unshelve, row.putBack, row.others);
}

function showActs(row) {
  const { alarm, gone } = row;
  row.choice.disabled = gone || !alarm.owed;
  if (row.choice.disabled) row.choice.checked = false;
  row.choice.hidden = alarm.aside;
  row.acknowledge.hidden = gone || !alarm.owed;
  row.reset.hidden = gone || alarm.aside || !alarm.latches;
  row.others.hidden = gone || alarm.aside;
  row.setpoint.hidden = !mayEngineer || alarm.may_be === null;
  row.takeOut.hidden = !mayEngineer;
  row.unshelve.hidden = gone || alarm.state !== "shelved";
  row.putBack.hidden = gone || !mayEngineer || alarm.state !== "out of service";
}

const whose = (alarm) => (alarm.name ? node("a", { href: `/meters/${encodeURIComponent(alarm.tag)}`, text: alarm.tag }) : node("b", { text: `group ${alarm.tag}` }));

// Change a cell only where what it says has changed: whatever has the focus in it keeps it.
function set(cell, signature, children) {
  if (cell.dataset.says === signature) return;
  cell.dataset.says = signature;
  cell.replaceChildren(...children());
}

function fill(row) {
  const { alarm, cells, gone } = row;
  const now = serverTime();
  const first = alarm.aside ? [] : firstUpOf(alarm);
  const ago = alarm.raised ? `${span(now - alarm.raised)} ago` : "";
  const shelf = alarm.shelf ? `until ${clock(alarm.shelf.until)}, by ${alarm.shelf.who}: ${alarm.shelf.why}` : "";
  const standsAside = alarm.aside && alarm.condition;
  row.element.className = `${gone ? "is-gone" : alarm.owed ? `is-owed ${alarm.priority}` : ""}`;
  set(cells.name, `${gone} ${alarm.owed} ${alarm.priority} ${first}`, () => [mark(alarm.priority, alarm.priority, alarm.owed && !gone),
    node("div", { class: "whose" }, whose(alarm), ` ${alarm.alarm}`),
    ...(alarm.name ? [node("small", { text: alarm.area ? `${alarm.name}, ${alarm.area}` : alarm.name })] : []),
    ...first.map((group) => node("small", { class: "first-up", text: `first up in ${group}` }))]);
  set(cells.state, `${gone} ${alarm.state} ${standsAside}`, () => [gone ? "normal now" : alarm.state,
    ...(standsAside ? [node("strong", { class: alarm.priority, text: ", its condition stands" })] : [])]);
  const present = presentOf(alarm);
  set(cells.value, `${alarm.value} ${alarm.peak} ${alarm.setpoint} ${present}`, () => [node("data", { text: limit(alarm, alarm.value) }),
    ...(alarm.value !== null ? [node("small", { text: "when raised" })] : []),
    ...(present ? [node("small", { class: "now", text: present })] : []),
    ...(alarm.peak !== null && alarm.peak !== alarm.value ? [node("small", { text: `peak ${limit(alarm, alarm.peak)}` })] : []),
    ...(alarm.setpoint !== null ? [node("small", { text: `setpoint ${limit(alarm, alarm.setpoint)}` })] : [])]);
  set(cells.since, `${alarm.raised} ${ago}`, () => [clock(alarm.raised), node("small", { text: ago })]);
  set(cells.what, `${shelf} ${alarm.message} ${alarm.action}`, () => [["", shelf], ["", alarm.message], ["action", alarm.action]].filter(([, text]) => text).map(([kind, text]) => node("div", { class: kind, text })));
  if (mayOperate) showActs(row);
}

function take(alarms) {
  const present = new Set();
  for (const alarm of alarms) {
    const key = keyOf(alarm);
    present.add(key);
    if (!rows.has(key)) rows.set(key, makeRow(alarm));
    Object.assign(rows.get(key), { alarm, gone: false });
  }
  for (const [key, row] of rows) {
    if (!present.has(key)) row.gone = true;
    fill(row);
  }
}

// Have a table's rows stand in an order, moving as few as it takes, and leave the focus where it is.
function place(body, wanted) {
  const focused = document.activeElement;
  for (const element of [...body.children]) if (!wanted.includes(element)) element.remove();
  wanted.forEach((element, at) => {
    if (body.children[at] !== element) body.insertBefore(element, body.children[at] ?? null);
  });
  if (focused !== document.activeElement && focused?.isConnected) focused.focus({ preventScroll: true });
}

function arrange() {
  const ordered = told.alarms.map((alarm) => rows.get(keyOf(alarm)));
  const wanted = ordered.filter((row) => !row.alarm.aside).map((row) => row.element);
  const now = [...standing.children];
  const isNew = wanted.some((element) => !now.includes(element));
  if (isHeld()) {
    place(standing, [...now, ...wanted.filter((element) => !now.includes(element))]);
  } else {
    place(standing, wanted);
    for (const [key, row] of rows) if (row.gone) rows.delete(key);
  }
  part.held.hidden = !(isHeld() && (isNew || !part.held.hidden));
  place(aside, ordered.filter((row) => row.alarm.aside && !standing.contains(row.element)).map((row) => row.element));
}

// What can be done about many, and what is so besides

const shown = () => [...standing.children].map((element) => [...rows.values()].find((row) => row.element === element)).filter((row) => row && !row.gone && row.alarm.owed);

function acknowledgeThese(these) {
  const sequences = these.map((row) => row.alarm.sequence); // as they stand on the screen at this moment
  return act("acknowledge", { sequences }, (answer) => {
    const parts = [answer.acknowledged || !(answer.already || answer.raised_anew) ? `${counted(answer.acknowledged, "alarm")} acknowledged.` : "Nothing was left to acknowledge."];
    if (answer.already) parts.push(`${answer.already} had been acknowledged by somebody else meanwhile.`);
    if (answer.raised_anew) parts.push(`${answer.raised_anew} ${answer.raised_anew === 1 ? "has" : "have"} changed since and ${answer.raised_anew === 1 ? "is" : "are"} left as they are now.`);
    return parts.join(" ");
  });
}

const counted = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;

function showButtons() {
  if (!mayOperate) return;
  const owed = shown();
  const chosen = owed.filter((row) => row.choice.checked);
  part.all.disabled = owed.length === 0;
  part.all.textContent = owed.length ? `Acknowledge all ${owed.length} shown` : "Acknowledge all shown";
  part.chosen.disabled = chosen.length === 0;
  part.chosen.textContent = chosen.length ? `Acknowledge chosen (${chosen.length})` : "Acknowledge chosen";
}

function showSuppressions() {
  part["suppressions-part"].hidden = told.suppressions.length === 0;
  part.suppressions.replaceChildren(...told.suppressions.map(({ name, on, by_hand }) => node("li", {},
    node("span", {}, node("b", { text: name }), on ? ": its alarms announce nothing now" : ": not in force", by_hand ? "" : ", by its own condition"),
    by_hand && mayEngineer ? node("button", { type: "button", "aria-label": `${on ? "End" : "Begin"} ${name}`, text: on ? "End" : "Begin", onclick: () => act("suppress", { name, on: !on }, () => `${name} ${on ? "suppresses nothing" : "suppresses its alarms"}.`).then(load) }) : "")));
}

function draw() {
  standing ??= tableOf(part.standing, [...(mayOperate ? [""] : []), "Alarm", "State", "Value", "Since", "What to do", ...(mayOperate ? ["Acts"] : [])]);
  aside ??= tableOf(part.aside, [...(mayOperate ? [""] : []), "Alarm", "State", "Value", "Since", "Terms", ...(mayOperate ? ["Acts"] : [])]);
  take(told.alarms);
  arrange();
  part.sounder.hidden = !told.sounder;
  if (told.sounder && !part["sounder-mark"].hasChildNodes()) part["sounder-mark"].append(mark("critical", "The sounder is asked for", true));
  const none = standing.children.length === 0;
  part.standing.hidden = none;
  part.summary.textContent = none && !told.unacknowledged ? "Nothing is announced." : `${told.unacknowledged} unacknowledged, ${counted(told.meters_in_alarm, "meter")} in alarm`;
  part["aside-part"].hidden = aside.children.length === 0;
  const more = told.count - told.alarms.length;
  part.more.hidden = more <= 0;
  part.more.textContent = `and ${more} more, less urgent than these: they come up as these are dealt with`;
  const signature = JSON.stringify(told.suppressions);
  if (part.suppressions.dataset.of !== signature) { part.suppressions.dataset.of = signature; showSuppressions(); }
  showButtons();
}

async function load() {
  clearTimeout(waiting);
  waiting = null;
  last = performance.now();
  try {
    told = await get("/alarms");
  } catch (error) {
    say(error.message, true);
    return;
  }
  draw();
}

// Look once more, a second after the last look at the earliest, however much changes.
function soon() {
  waiting ??= setTimeout(load, Math.max(0, last + AGAIN - performance.now()));
}

const known = (line) => line.alarm || [...rows.values()].some((row) => row.alarm.tag === line.tag);
for (const kind of ["pointermove", "pointerdown", "keydown", "focusin"]) part.standing.addEventListener(kind, () => { touched = performance.now(); }, { passive: true });
part.silence?.addEventListener("click", () => act("silence", {}, () => "The sounder is silent; the alarms stay as they are.").then(load));
part.all?.addEventListener("click", () => acknowledgeThese(shown()).then(load));
part.chosen?.addEventListener("click", () => acknowledgeThese(shown().filter((row) => row.choice.checked)).then(load));
setInterval(() => { if (told) { draw(); } }, 5000);
follow({ again: load, alarms: soon, meters: (lines) => { if (lines.some(known)) soon(); } });
