// How far the links of the site are, meter by meter, and the nodes that are heard and sit nowhere yet.

import { get, mayEngineer } from "/static/ask.js";
import { follow, serverTime } from "/static/live.js";
import { readsOf, signalOf, stageOf } from "/static/links.js";
import { at, clock, node, span, value } from "/static/words.js";

const EVERY = 10000; // ms between two looks
const TYPED = 250; // ms after the last key before it is searched
const STAGES = [
  ["", "all meters", (of) => of.meters],
  ["not linked", "not linked", (of) => of.not_yet],
  ["not heard", "not heard", (of) => of.linked - of.heard],
  ["not verified", "not verified", (of) => of.heard - of.verified - of.disagree],
  ["does not agree", "does not agree", (of) => of.disagree],
  ["verified", "verified", (of) => of.verified],
];
let stage = "";
let meters = [];
let asked = 0;

function choose(chosen) {
  stage = chosen;
  load();
}

function showStages(counts) {
  if (!at("stages").children.length) {
    at("stages").append(...STAGES.map(([key, words]) => node("button", { "data-stage": key || "all", onclick: () => choose(key) }, node("b"), node("span", { text: words }))));
  }
  for (const [index, [key, , count]] of STAGES.entries()) {
    const button = at("stages").children[index];
    button.firstChild.textContent = value(count(counts), 9);
    button.setAttribute("aria-pressed", String(key === stage));
  }
}

function row(meter) {
  return node("tr", {},
    node("th", { scope: "row" }, node("a", { href: `/linking/${encodeURIComponent(meter.tag)}`, text: meter.tag }), node("div", { class: "hint", text: [meter.name, meter.area].filter(Boolean).join(", ") })),
    node("td", { "data-label": "Stage" }, stageOf(meter.stage)),
    node("td", { "data-label": "Node", class: "code", text: meter.node ?? "–" }),
    node("td", { "data-label": "Since", text: clock(meter.since) }),
    node("td", { "data-label": "Linked by", text: meter.by_file ? "meters.yaml" : meter.who ?? "–" }),
    node("td", { "data-label": "Last heard", text: meter.age === null ? "never" : `${span(meter.age)} ago` }),
  );
}

async function load(from = 0) {
  const mine = ++asked;
  const told = await get("/links", { stage, find: at("search").value.trim(), from });
  if (mine !== asked) return;
  meters = from ? [...meters, ...told.meters] : told.meters;
  showStages(told.counts);
  at("rows").replaceChildren(...meters.map(row));
  if (!meters.length) at("rows").append(node("tr", {}, node("td", { colspan: 6, text: "No meter is like that." })));
  at("rows").removeAttribute("aria-busy");
  at("counts").textContent = `${value(told.count, 9)} of ${value(told.counts.meters, 9)} meters`;
  at("more").hidden = meters.length >= told.count;
}

// Nodes

let heard = 0;

function fitOf(fit, of) {
  const free = fit.meters_without_node;
  const meant = free.length
    ? ["sits on ", ...free.flatMap((tag, index) => [index ? ", " : "", node("a", { href: `/linking/${encodeURIComponent(tag)}?node=${of}`, text: tag })]), "?"]
    : ["no meter of this model is without a node"];
  return node("li", {}, node("b", { text: fit.title || fit.profile }), ` reads ${readsOf(fit.reads)}`, node("div", { class: "hint" }, ...meant));
}

function cardOf(each) {
  const now = serverTime();
  return node("li", { class: "card" },
    node("h3", { class: "code", text: each.node }),
    node("p", { class: "hint", text: `heard ${each.count === 1 ? "once" : `${value(each.count, 9)} times`}, first ${span(now - each.first)} ago, last ${span(now - each.last)} ago; ${signalOf(each)}` }),
    each.fits.length ? node("ul", { class: "fits" }, ...each.fits.map((fit) => fitOf(fit, each.node))) : node("p", { text: "What it sends can be read by no profile of this site." }));
}

async function loadNodes(from = 0) {
  const told = await get("/nodes", { from });
  if (!from) at("nodes").replaceChildren();
  at("nodes").append(...told.nodes.map(cardOf));
  heard = at("nodes").children.length;
  at("nodes-said").textContent = told.count ? `${value(told.count, 9)} heard` : "None was heard.";
  at("nodes-more").hidden = heard >= told.count;
}

let typing = 0;
at("search").addEventListener("input", () => { clearTimeout(typing); typing = setTimeout(load, TYPED); });
at("more").addEventListener("click", () => load(meters.length));
if (mayEngineer) at("nodes-more").addEventListener("click", () => loadNodes(heard));

// What is looked at again is what is shown; whoever has asked for more is left in peace.
function again() {
  if (meters.length <= 100) load();
  if (mayEngineer && heard <= 20 && !at("nodes").contains(document.activeElement)) loadNodes();
}

follow({ again });
setInterval(() => { if (!document.hidden) again(); }, EVERY);
