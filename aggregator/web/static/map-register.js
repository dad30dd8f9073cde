// One register: what it is, what it holds now, and what a driver shows that reads it in a wrong way.

import { facts, mark, node, span, unit } from "/static/words.js";

// A number as it stands: all of its digits, for it is compared with what another program shows.
export function exact(number) {
  if (number === null || number === undefined) return "no value";
  if (typeof number === "boolean") return number ? "1 (on)" : "0 (off)";
  if (typeof number !== "number") return String(number);
  const size = Math.abs(number);
  if (Number.isInteger(number) && size < 1e15) return String(number);
  return size >= 1e15 || size < 1e-6 ? number.toExponential(6) : String(Number(number.toPrecision(9)));
}

export function held(told) {
  if (told.exception !== undefined) return `a read gets exception ${told.exception.toString(16).toUpperCase().padStart(2, "0")}`;
  return exact(told.value);
}

export function quality(told) {
  if (told.quality === undefined) return null;
  const [grade] = told.quality.split(/[:, ]/);
  const words = told.age === null ? told.quality : `${told.quality}, observed ${span(told.age)} ago`;
  return grade === "good" ? node("span", { text: words }) : mark(grade === "uncertain" ? "uncertain" : "bad", words);
}

// What stands still of a register; `actions` are buttons below it.
export function body(told, readers, actions) {
  const parts = [];
  if (told.item) parts.push(node("div", { id: "now", class: "now" }));
  const lines = told.about.filter(([label]) => label !== "shows" || !told.item);
  if (told.item) lines.push(["frozen", told.frozen ? "yes: a map that would move or change it is refused" : "no"]);
  lines.push(["read by", node("span", { id: "readers", text: readers })]);
  parts.push(node("dl", { class: "facts" }, ...facts(lines)), actions);
  if (told.misread?.length) parts.push(misreadings(told));
  return parts;
}

function misreadings(told) {
  const input = node("input", { id: "shows", inputmode: "decimal", autocomplete: "off", placeholder: "a number" });
  const table = node("table", {}, node("thead", {}, node("tr", {}, node("th", { scope: "col", class: "number", text: "it shows" }), node("th", { scope: "col", text: "it reads" }))), node("tbody", { id: "misread" }));
  input.addEventListener("input", pointOut);
  return node("details", { class: "misread", open: true },
    node("summary", { text: "If your driver shows something else" }),
    node("label", {}, "It shows", input),
    node("p", { id: "why", class: "hint", "aria-live": "polite", text: "Type what it shows, or look for it below." }),
    table);
}

// What changes of it, while it is looked at.
export function refresh(told) {
  const now = document.getElementById("now");
  if (now) {
    const raw = told.raw === undefined ? "" : node("code", { id: "raw", text: told.raw });
    now.replaceChildren(
      node("p", { class: "large" }, node("data", { id: "held", text: held(told) }), " ", node("small", { text: told.value === null ? "" : unit(told.unit ?? "") })),
      node("p", {}, node("span", { class: "hint", text: told.item.table === "coil" || told.item.table === "discrete" ? "bit " : told.item.size > 1 ? "registers " : "register " }), raw),
      node("p", {}, quality(told)),
    );
  }
  const rows = document.getElementById("misread");
  if (rows) {
    rows.replaceChildren(...told.misread.map((each) => {
      const row = node("tr", {}, node("td", { class: "number", text: exact(each.value) }), node("td", { text: each.way }));
      row.dataset.value = each.value;
      row.dataset.way = each.way;
      return row;
    }));
    rows.dataset.true = told.value ?? "";
    pointOut();
  }
}

const NEAR = 0.002; // by how much of itself a number that a driver rounds may be off
const SAME = 1e-6;
const off = (one, other) => (one === other ? 0 : Math.abs(one - other) / Math.max(Math.abs(one), Math.abs(other)));

// The rows that come nearest to what a driver shows, several where they are equally near.
function nearest(rows, shown) {
  const near = rows.map((row) => [off(Number(row.dataset.value), shown), row]).filter(([by]) => by <= NEAR);
  const best = Math.min(...near.map(([by]) => by));
  return near.filter(([by]) => by <= best + SAME).map(([, row]) => row);
}

function pointOut() {
  const input = document.getElementById("shows"), why = document.getElementById("why"), rows = document.getElementById("misread");
  const text = input.value.trim().replace(",", ".");
  const shown = Number(text);
  const right = text && rows.dataset.true !== "" && off(Number(rows.dataset.true), shown) <= NEAR;
  const found = text && !right && Number.isFinite(shown) ? nearest([...rows.children], shown) : [];
  for (const row of rows.children) row.classList.toggle("this-one", found.includes(row));
  let words = "Type what it shows, or look for it below.";
  if (text && !Number.isFinite(shown)) words = "That is no number.";
  else if (right) words = "That is right.";
  else if (found.length) words = `Then it probably reads ${found.map((row) => row.dataset.way).join("; or ")}.`;
  else if (text) words = "None of the usual mistakes gives that. Is it the right register, and did its value change meanwhile?";
  if (why.textContent !== words) why.textContent = words;
}

// The rows of a block's items.
export function itemRow(item, chosen, choose) {
  const last = item.address + item.size - 1;
  const row = node("tr", { class: chosen ? "this-one" : "" },
    node("td", { class: "number" }, node("button", { class: "plain", text: last > item.address ? `${item.address}-${last}` : String(item.address), onclick: choose, "aria-label": `${item.address}: ${item.title}` })),
    node("td", { class: "number", text: item.reference }),
    node("th", { scope: "row", text: item.title }),
    node("td", { text: item.type }),
    node("td", {}, node("code", { text: item.raw ?? "" })),
    node("td", { class: "number", text: held(item) }),
    node("td", { text: unit(item.unit) }),
    node("td", {}, item.quality && !item.quality.startsWith("good") ? quality(item) : item.note || item.quality || ""));
  return row;
}

