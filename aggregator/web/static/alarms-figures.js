// The figures of the alarm system over some days, each beside its target and who says so.

import { get } from "/static/ask.js";
import { follow, serverTime } from "/static/live.js";
import { clock, node } from "/static/words.js";

const days = document.getElementById("days");
const counts = document.getElementById("counts");
const figures = document.getElementById("figures");
let asking = 0;

function list(where, title, rows) {
  where.hidden = rows.length === 0;
  where.replaceChildren(node("h2", { text: title }), node("table", {},
    node("thead", {}, node("tr", {}, node("th", { scope: "col", text: "Alarm" }), node("th", { scope: "col", class: "number", text: "Times" }))),
    node("tbody", {}, ...rows.map(([tag, alarm, count]) => node("tr", {},
      node("th", { scope: "row" }, node("a", { href: `/alarms/journal?tag=${encodeURIComponent(tag)}&about=1`, text: tag }), ` ${alarm}`),
      node("td", { class: "number", text: String(count) }))))));
}

async function load() {
  const mine = ++asking;
  figures.setAttribute("aria-busy", "true");
  counts.textContent = "Reading the journal…";
  try {
    const told = await get("/alarms/figures", { since: serverTime() - Number(days.value) * 86400 });
    if (mine !== asking) return;
    const head = ["Figure", "Value", "Target", "Source"].map((text) => node("th", { scope: "col", class: text === "Value" ? "number" : null, text }));
    figures.replaceChildren(node("table", {}, node("thead", {}, node("tr", {}, ...head)),
      node("tbody", {}, ...told.figures.map((each) => node("tr", {}, node("th", { scope: "row", text: each.name }), node("td", { class: "number", text: each.value }), node("td", { text: each.target }), node("td", { class: "hint", text: each.source }))))));
    list(document.getElementById("worst"), "Announced most often", told.worst);
    list(document.getElementById("chatter"), "Chatter", told.chattering);
    counts.textContent = `from ${clock(told.begin)} to ${clock(told.end)}`;
  } catch (error) {
    figures.replaceChildren(node("p", { class: "wrong", text: error.message }));
    counts.textContent = "";
  }
  figures.removeAttribute("aria-busy");
}

days.addEventListener("input", load);
document.getElementById("ask").addEventListener("submit", (event) => event.preventDefault());
follow({ site: () => { if (asking === 0) load(); } }); // by the service's clock, which comes with the first event
