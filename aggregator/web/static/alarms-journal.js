// The journal, newest first: what happened, to what, and who did it. A page at a time; where one goes on is told by the
// service, so that what comes meanwhile moves nothing.

import { say } from "/static/alarm-acts.js";
import { get } from "/static/ask.js";
import { follow } from "/static/live.js";
import { clock, limit, node, value } from "/static/words.js";

const MOST = 100; // rows of a page
const AGAIN = 2000; // ms between two looks at what is new, at the least
const form = document.getElementById("ask");
const rows = document.getElementById("rows");
const counts = document.getElementById("counts");
const older = document.getElementById("older");
const kinds = form.elements.event;
let after = null;
let pages = 0;
let asking = 0;
let waiting = null;
let last = 0;

const moment = (text) => (text ? new Date(text).getTime() / 1000 : null);

function asked() {
  const { tag, event, who, from, to, about } = form.elements;
  return {
    tag: tag.value.trim(), event: event.value, who: who.value.trim(), since: moment(from.value), until: moment(to.value),
    about_alarms: about.checked || null, most: MOST,
  };
}

const NAMES = { meters_new: "new meters", meters_gone: "meters gone", meters_changed: "changed meters" };

// A fact as people say it: on and off, a list by its parts, several things by their names.
function spoken(fact) {
  if (typeof fact === "boolean") return fact ? "on" : "off";
  if (Array.isArray(fact)) return fact.map(spoken).join(", ");
  if (fact !== null && typeof fact === "object") return Object.entries(fact).map(([name, each]) => `${name.replaceAll("_", " ")} ${spoken(each)}`).join(", ");
  return value(fact);
}

const saysNothing = (fact) => fact === null || fact === undefined || fact === "" || (typeof fact === "object" && Object.keys(fact).length === 0);

// What was written: "under test (unit 1, coil 1100) from off to on: done".
function wrote({ register, item, old, new: next, result, why, repeated }) {
  const change = old === next ? `written ${spoken(next)}` : `from ${spoken(old)} to ${spoken(next)}`;
  const times = repeated ? `, and ${repeated} times more` : "";
  return `${item} (${register.replace(/^(?=\d+:)/, "unit ").replace(":", ",")}) ${change}: ${why ? `${result}, as ${why}` : result}${times}`;
}

// Facts as words: a change as "from to", the rest as its name and value. What says nothing is left out.
function particulars(facts, of) {
  if (typeof facts.register === "string" && facts.item !== undefined) return wrote(facts);
  const { alarm, state, value: reading, setpoint, old, new: next, sequence, priority, map_before: before, map_after: after, ...others } = facts;
  const said = [alarm, state];
  if (typeof reading === "number") said.push(`at ${limit(of, reading)}`);
  if (typeof setpoint === "number") said.push(`setpoint ${limit(of, setpoint)}`);
  if (old !== undefined && next !== undefined) said.push(alarm && typeof old === "number" ? `from ${limit(of, old)} to ${limit(of, next)}` : `from ${spoken(old)} to ${spoken(next)}`);
  if (after) said.push(before === after ? `map as before (${after})` : `map from ${before} to ${after}`);
  for (const [name, fact] of Object.entries(others)) if (!saysNothing(fact)) said.push(`${NAMES[name] ?? name.replaceAll("_", " ")}: ${spoken(fact)}`);
  return said.filter((each) => each !== undefined && each !== null && each !== "").join(" · ");
}

function row({ at, event, tag, who, facts, clock: dated, unit, written }) {
  const utc = Date.parse(at) / 1000;
  return node("tr", {},
    node("td", { class: "when" }, node("time", { datetime: at, text: clock(utc) }), ...(dated === "trusted" ? [] : [node("small", { text: ` clock ${dated}` })])),
    node("th", { scope: "row", text: event }),
    node("td", {}, tag ? node("a", { href: `?tag=${encodeURIComponent(tag)}`, text: tag }) : "–"),
    node("td", { class: "particulars", text: particulars(facts, { unit, written }) }),
    node("td", { text: who || "–" }));
}

function addKinds(found) {
  const known = new Set([...kinds.options].map((each) => each.value || each.text));
  for (const event of new Set(found.map((each) => each.event))) if (!known.has(event)) kinds.append(node("option", { text: event }));
}

async function load(more = false) {
  const mine = ++asking;
  if (more) pages += 1; // from now on, as nothing new is to come between
  last = performance.now();
  try {
    const told = await get("/journal", { ...asked(), after: more ? after : null });
    if (mine !== asking) return;
    const made = told.rows.map(row);
    if (more) rows.append(...made);
    else rows.replaceChildren(...made);
    if (!more) pages = 1;
    after = told.after;
    addKinds(told.rows);
    older.hidden = after === null;
    const count = rows.children.length;
    counts.textContent = count ? `${count} ${count === 1 ? "entry" : "entries"}${after === null ? ", all there are" : ""}` : "Nothing in the journal is like that.";
    if (more && made.length) made[0].querySelector("a, th")?.focus?.();
  } catch (error) {
    say(error.message, true);
  }
}

// What is new is shown while nobody has gone on to older pages or asked for a time that is over.
function soon() {
  waiting ??= setTimeout(() => {
    waiting = null;
    if (pages <= 1 && !form.elements.to.value) load();
  }, Math.max(0, last + AGAIN - performance.now()));
}

function toAddress() {
  const { tag, event, who, from, to, about } = form.elements;
  const query = new URLSearchParams();
  for (const each of [tag, event, who, from, to]) if (each.value) query.set(each.name, each.value);
  if (about.checked) query.set("about", "1");
  history.replaceState(null, "", query.size ? `?${query}` : location.pathname);
}

function fromAddress() {
  const query = new URLSearchParams(location.search);
  const wanted = query.get("event");
  if (wanted) addKinds([{ event: wanted }]);
  for (const [name, text] of query) if (form.elements[name]) form.elements[name].value = text;
  form.elements.about.checked = query.has("about");
}

const show = () => { say(""); toAddress(); load(); };
form.addEventListener("submit", (event) => { event.preventDefault(); show(); });
form.addEventListener("reset", () => setTimeout(show)); // the fields are empty only after this
older.addEventListener("click", () => load(true));
fromAddress();
follow({ again: () => { if (pages <= 1) load(); }, alarms: soon });
