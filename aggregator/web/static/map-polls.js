// Who polls: every client of the listeners, what it reads, and what was refused with what it probably meant.

import { get } from "/static/ask.js";
import { serverTime } from "/static/live.js";
import { clock, mark, node, span, value } from "/static/words.js";

const CODES = {
  "01": "illegal function", "02": "illegal data address", "03": "illegal data value", "04": "server device failure",
  "06": "server device busy", "0A": "gateway path unavailable", "0B": "gateway target device failed to respond",
}; // MODBUS V1.1b3 section 7
const FUNCTION_OF = { coil: [1], discrete: [2], input: [4, 3], holding: [3] };
const polls = document.getElementById("polls");
const said = document.getElementById("polls-said");
let clients = [];
let shown = "";

const run = (first, last) => (last <= first ? String(first) : `${first}-${last}`);
const two = (number) => String(number).padStart(2, "0");
const times = (count) => (count === 1 ? "once" : `${count} times`);

function wrongLine(each) {
  const asked = each.start === null ? "" : ` for ${run(each.start, each.start + each.quantity - 1)}`;
  return node("li", {},
    node("p", {}, mark("bad", `${each.exception} ${CODES[each.exception] ?? ""}`.trim()), ` to unit ${each.unit}, function ${two(each.function)}${asked}: ${times(each.times)}, last ${clock(each.last)}`),
    node("p", { text: each.meant ? `Probably: ${each.meant}.` : "What was meant is not known." }));
}

function wrongList(client) {
  if (!client.wrong.length) return null;
  return node("ul", { class: "refused", "aria-label": "Answered with an exception" }, ...client.wrong.map(wrongLine));
}

function readsTable(client) {
  if (!client.reads.length) return node("p", { class: "hint", text: "Nothing has been read by it." });
  const rows = client.reads.map((each) => node("tr", {}, node("td", { text: each.unit }), node("td", { text: two(each.function) }), node("td", { text: each.addresses.map(([first, last]) => run(first, last)).join(", ") })));
  const head = ["unit", "function", "addresses"].map((text) => node("th", { scope: "col", text }));
  return node("table", {}, node("caption", { text: "Reads" }), node("thead", {}, node("tr", {}, ...head)), node("tbody", {}, ...rows));
}

function card(client) {
  const now = serverTime();
  const open = client.connections === 1 ? "1 connection open" : `${client.connections} connections open`;
  const exceptions = Object.entries(client.exceptions).map(([code, count]) => `${count} of ${code} ${CODES[code] ?? ""}`.trim());
  return node("article", { class: "client" },
    node("h3", {}, client.host, node("small", { text: ` at listener ${client.listener}` })),
    node("p", {}, `${open}, ${client.connected} so far, since ${clock(client.since)}; last heard ${span(now - client.last)} ago; ${value(client.requests, 9)} requests, ${value(client.rate, 3)} a second.`,
      exceptions.length ? ` Exceptions: ${exceptions.join(", ")}.` : ""),
    wrongList(client), readsTable(client));
}

export async function show() {
  const told = await get("/clients");
  clients = told.clients;
  const refused = Object.entries(told.refused).map(([what, count]) => `${count} ${what}`);
  const nobody = "Nobody has connected since the service started. If plant software should have: is its address allowed (`allow:` of the listener in site.yaml), is the port right, does a firewall let it through?";
  const words = `${clients.length ? `${clients.length === 1 ? "1 client" : `${clients.length} clients`} since the service started, those heard last first.` : nobody}${refused.length ? ` Refused at the door: ${refused.join(", ")}.` : ""}`;
  if (said.textContent !== words) said.textContent = words;
  const text = JSON.stringify([clients, Math.floor(serverTime() / 30)]);
  if (text === shown) return;
  shown = text;
  polls.replaceChildren(...clients.map(card));
}

// Who reads a register of a device, in words. Function 03 reads input registers too, where no holding register stands.
export function readersOf(device, isFirst, table, address) {
  const units = isFirst ? [device.unit_id, 0, 255] : [device.unit_id];
  const found = [];
  for (const client of clients) {
    const reads = client.reads.filter((each) => units.includes(each.unit) && FUNCTION_OF[table].includes(each.function)
      && each.addresses.some(([first, last]) => first <= address && address <= last));
    if (reads.length) found.push(`${client.host} (function ${reads.map((each) => two(each.function)).join(", ")})`);
  }
  return found.length ? found.join("; ") : clients.length ? "no client so far" : "nobody polls";
}
