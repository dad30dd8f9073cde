// The service: what it says of itself, its files, what it set aside, its log.

import { get, mayEngineer, mayOperate, post } from "/static/ask.js";
import { follow } from "/static/live.js";
import { at, clock, facts, mark, node, span, value } from "/static/words.js";

const EVERY = 5000; // ms between two looks
let last = null;

const size = (bytes) => (bytes < 1e6 ? `${value(bytes / 1e3, 3)} kB` : bytes < 1e9 ? `${value(bytes / 1e6, 3)} MB` : `${value(bytes / 1e9, 3)} GB`);
const well = (is, yes, no) => (is ? yes : mark("high", no));

function show(told) {
  const rate = last ? (told.uplinks_accepted - last.uplinks_accepted) / ((Date.now() - last.when) / 1000) : null;
  last = { when: Date.now(), uplinks_accepted: told.uplinks_accepted };
  at("now").replaceChildren(...facts([
    ["Site", told.site],
    ["Version", told.version],
    ["Running for", span(told.uptime)],
    ["Map", node("span", { class: "code", text: told.map_fingerprint })],
    ["Files taken", told.generation === 0 ? "at the start" : `anew since the start: ${told.generation}`],
    ["Broker", well(told.broker_connected, "connected", `away: ${told.broker_trouble ?? "not heard yet"}`)],
    ["Clock", well(told.clock_trusted, "kept right", "not trustworthy: nothing keeps it right")],
  ]));
  at("uplinks").replaceChildren(...facts([
    ["Taken", value(told.uplinks_accepted, 9)],
    ["Rate", rate === null ? "…" : `${value(Math.max(0, rate), 3)} a second`],
    ["Doubled", value(told.uplinks_duplicate, 9)],
    ["Late", value(told.uplinks_late ?? 0, 9)],
    ["Lost", value(told.uplinks_lost ?? 0, 9)],
    ["Refused", value(told.uplinks_rejected, 9)],
    ...Object.entries(told.refused).filter(([, count]) => count).map(([reason, count]) => [`– ${reason}`, value(count, 9)]),
  ]));
  at("store").replaceChildren(...facts([
    ["State", well(!told.store_problem, "takes what it is given", told.store_problem ?? "")],
    ["Written", `${value(told.store_committed, 9)} rows, ${size(told.store_bytes_written)}`],
    ["Waiting", value(told.store_waiting, 9)],
    ["Given up", value(told.store_dropped, 9)],
  ]));
  const ends = [
    ...told.serial_lines.map((each) => [each.port, well(!each.trouble, `${value(each.requests, 9)} requests, ${value(each.errors, 9)} errors`, each.trouble ?? "")]),
    ...told.certificates.map((each) => [each.of, well(!each.soon, `ends in ${value(each.days, 9)} days`, `ends in ${value(each.days, 9)} days: ${each.file}`)]),
  ];
  at("ends").replaceChildren(ends.length ? node("dl", { class: "facts" }, ...facts(ends)) : node("p", { class: "hint", text: "None declared." }));
}

function problems(found) {
  at("problems").replaceChildren(...found.map((each) => node("li", { class: "code", text: each })));
}

async function check() {
  at("files-said").textContent = "Checking…";
  const { problems: found } = await get("/service/check");
  problems(found);
  at("files-said").textContent = found.length ? `${found.length} problem${found.length > 1 ? "s" : ""}; nothing was changed.` : "All is in order.";
}

async function reload() {
  at("files-said").textContent = "Taking the files…";
  try {
    const told = await post("/service/reload");
    problems([]);
    const waits = told.waits_for_restart.length ? ` ${told.waits_for_restart.join(" and ")} wait for the next start.` : "";
    const away = told.listeners_away.map((each) => ` The listener ${each.listener} is not open yet: ${each.reason}`).join("");
    at("files-said").textContent = `Taken; map ${told.map_fingerprint}.${waits}${away}`;
  } catch (error) {
    if (error instanceof TypeError) { // no answer at all, as where the pages themselves are now served elsewhere
      at("files-said").textContent = "The connection was lost meanwhile. If `web:` in site.yaml was changed, the pages are served as it now says.";
      return;
    }
    problems(error.message.split("\n"));
    at("files-said").textContent = "Refused; the service goes on as it was.";
  }
}

let after = 0;
async function aside(fresh = false) {
  if (fresh) after = 0;
  const told = await get("/service/aside", { after });
  const rows = told.messages.map((each) => node("tr", {},
    node("td", { text: clock(each.at) }), node("td", {}, node("b", { text: each.reason }), node("div", { class: "hint", text: each.detail })),
    node("td", { class: "code", text: each.node ?? "–" }), node("td", { class: "code", text: each.topic }),
    node("td", { class: "code", text: each.message + (each.bytes > 400 ? ` … ${each.bytes} bytes` : "") })));
  if (fresh) at("aside").replaceChildren();
  at("aside").append(...rows);
  if (!at("aside").children.length) at("aside").append(node("tr", {}, node("td", { colspan: 5, text: "None." })));
  after = told.messages.at(-1)?.id ?? after;
  at("aside-more").hidden = !told.more;
}

async function replay() {
  at("replay").disabled = true;
  at("aside-said").textContent = "Taking them…";
  try {
    const told = await post("/service/replay");
    const refused = Object.entries(told.refused).map(([reason, count]) => `${count} ${reason}`).join(", ");
    at("aside-said").textContent = `${told.shown} taken, ${told.late} into the history only, ${told.known} known already; ${refused ? `still refused: ${refused}` : "none refused"}.`;
  } catch (error) {
    at("aside-said").textContent = error.message;
  }
  at("replay").disabled = false;
  await aside(true);
}

let lines = [];
const OWN = new Set(["timestamp", "level", "event"]);
function log() {
  const find = at("find").value.trim().toLowerCase();
  const shown = lines.filter((each) => (!at("warnings").checked || each.level !== "info") && (!find || JSON.stringify(each).toLowerCase().includes(find)));
  at("log").replaceChildren(...shown.reverse().map((each) => node("tr", {},
    node("td", { class: "code", text: (each.timestamp ?? "").replace("T", " ").slice(0, 19) }),
    node("td", {}, each.level === "info" || each.level === "debug" ? each.level : mark(each.level === "warning" ? "medium" : "critical", each.level)),
    node("td", {}, node("b", { text: each.event }), " ", node("span", { class: "code", text: Object.entries(each).filter(([key]) => !OWN.has(key)).map(([key, word]) => `${key}=${word}`).join(" ") })))));
}

async function look() {
  show(await get("/service"));
  if (mayOperate) {
    lines = (await get("/service/log")).lines;
    log();
  }
}

if (mayOperate) {
  at("check").addEventListener("click", check);
  for (const id of ["find", "warnings"]) at(id).addEventListener("input", log);
}
if (mayEngineer) {
  at("reload").addEventListener("click", reload);
  at("replay").addEventListener("click", replay);
  at("aside-more").addEventListener("click", () => aside());
  aside(true);
}
let refused = false;
follow({ site(data) {
  if (data.files_refused && !refused && mayOperate) check();
  refused = data.files_refused;
} });
setInterval(() => { if (!document.hidden) look(); }, EVERY);
look();
