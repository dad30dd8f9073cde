// The poll plan: what is to be read, and the requests that do it.

import { get } from "/static/ask.js";
import { node } from "/static/words.js";

const COLUMNS = [["function", "function"], ["first address", "PDU address"], ["data number", "data number"], ["reference", "reference"], ["count", "count"], ["items", "items"], ["used", "used"], ["covers", "covers"], ["note", "note"]];
const NUMBERS = ["PDU address", "data number", "reference", "count", "items", "used"];
const field = (name) => document.getElementById(`plan-${name}`);
const place = document.getElementById("plan");
let asked = 0;

export function offer(device, areas) {
  const fill = (select, first, names) => {
    const before = select.value;
    select.replaceChildren(node("option", { value: "", text: first }), ...names.map((each) => node("option", { value: each, text: each })));
    select.value = names.includes(before) ? before : "";
  };
  fill(field("area"), "all areas", areas);
  fill(field("item"), "all items", device.items);
  place.replaceChildren();
}

function chosen(device) {
  const tags = field("tags").value.split(",").map((each) => each.trim()).filter(Boolean);
  return { unit: device.name, tag: tags, area: field("area").value, item: field("item").value, most: field("most").value, strict: field("strict").checked ? "true" : "" };
}

function query(parameters) {
  const made = new URLSearchParams();
  for (const [key, given] of Object.entries(parameters)) for (const each of [given].flat()) if (each !== "") made.append(key, each);
  return made.toString();
}

function rowOf(row) {
  return node("tr", {}, ...COLUMNS.map(([, key]) => node("td", { class: NUMBERS.includes(key) ? "number" : "", text: row[key] })));
}

export async function plan(device) {
  const mine = ++asked, parameters = chosen(device);
  let told;
  try {
    told = await get("/map/plan", parameters);
  } catch (error) {
    if (mine === asked) place.replaceChildren(node("p", { class: "wrong", role: "alert", text: error.message }));
    return;
  }
  if (mine !== asked) return;
  const rows = node("tbody", {}, ...told.rows.map(rowOf));
  const head = COLUMNS.map(([text, key]) => node("th", { scope: "col", class: NUMBERS.includes(key) ? "number" : "", text }));
  const more = node("button", { text: "More reads" });
  more.hidden = told.rows.length >= told.reads;
  more.addEventListener("click", async () => {
    const next = await get("/map/plan", { ...parameters, after: rows.children.length });
    rows.append(...next.rows.map(rowOf));
    more.hidden = rows.children.length >= next.reads;
  });
  place.replaceChildren(
    node("p", {}, node("b", { text: told.cost }), ` of unit ${device.unit_id} `, node("a", { class: "button", href: `/api/v1/map/plan.csv?${query(parameters)}`, download: true, text: "CSV" })),
    node("div", { class: "scroll planned", tabindex: "0", role: "group", "aria-label": "Reads of the plan" }, node("table", {}, node("thead", {}, node("tr", {}, ...head)), rows)), more);
}
