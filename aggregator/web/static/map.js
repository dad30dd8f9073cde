// The map: each device's tables as strips, what each register is and holds, and who polls it.

import { get } from "/static/ask.js";
import { follow } from "/static/live.js";
import { offer, plan } from "/static/map-plan.js";
import { readersOf, show as showPolls } from "/static/map-polls.js";
import { body, itemRow, refresh } from "/static/map-register.js";
import { Strip } from "/static/map-strip.js";
import { at, node } from "/static/words.js";

const EVERY = 2000; // ms between looks at what is shown of a register, and at who polls
const strip = new Strip(at("strip"), (address) => go(`${tableNow().table}:${address}`), (words) => { at("under").textContent = words; });
let site = null;
let register = null; // as it was told last
let pages = 1; // of the block's items
let asked = 0;
let generation = null;
let busy = false; // going by key
const waiting = [];

const deviceNow = () => site.devices.find((each) => each.name === at("device").value) ?? site.devices[0];
const tableNow = () => deviceNow().tables.find((each) => each.table === at("table").value) ?? deviceNow().tables[0];
const notation = (told) => `${told.register.table}:${told.register.address}`;
const count = (number, one, many) => `${number.toLocaleString("en-GB")} ${number === 1 ? one : many}`;
const options = (select, pairs) => select.replaceChildren(...pairs.map(([value, text]) => node("option", { value, text })));
const named = (device) => (device.name === String(device.unit_id) ? `unit ${device.unit_id}` : `${device.name}, unit ${device.unit_id}`) + (device.stands_in ? `, stands in for ${device.stands_in}` : "");

async function load() {
  const first = site === null;
  const chosen = at("device").value;
  site = await get("/map");
  options(at("device"), site.devices.map((each) => [each.name, named(each)]));
  const wanted = new URLSearchParams(location.search);
  const name = first ? wanted.get("device") : chosen;
  if (site.devices.some((each) => each.name === name)) at("device").value = name;
  at("issue").textContent = `${site.revision ? `Map revision ${site.revision}` : "A map without a revision"}, fingerprint ${site.map_fingerprint}. ${site.frozen ? `${count(site.frozen, "item is", "items are")} frozen.` : "Nothing is frozen."}`;
  const to = first ? wanted.get("at") : register && notation(register);
  showDevice(!to);
  showFrozen();
  if (first && wanted.get("find")) { at("find").value = wanted.get("find"); await find(); }
  else if (to) await go(to);
}

function showDevice(andTable = true) {
  const device = deviceNow();
  const before = at("table").value;
  options(at("table"), device.tables.map((each) => [each.table, `${each.words}s`]));
  const input = device.tables.find((each) => each.table === before) ?? device.tables.find((each) => each.table === "input");
  if (input) at("table").value = input.table;
  offer(device, site.areas);
  showTest(device);
  if (andTable) { forget(); showTable(); }
}

function showTable() {
  const table = tableNow();
  const bits = table.table === "coil" || table.table === "discrete";
  at("sums").textContent = `${count(table.used, "address", "addresses")} used, ${table.kept_free} kept free by their blocks, ${table.spare} spare, ${table.free.toLocaleString("en-GB")} free; read with function ${String(table.function).padStart(2, "0")}.${table.table === "input" ? " Function 03 reads them at the same addresses, where no holding register stands." : ""}`;
  at("strip").setAttribute("aria-label", `${table.words}s of ${named(deviceNow())}`);
  at("block-items").dataset.bits = bits;
  strip.show(deviceNow(), table);
}

function showTest(device) {
  const start = device.test_block.input ?? device.test_block.holding ?? device.test_block.discrete ?? device.test_block.coil;
  at("test-show").hidden = start === undefined;
  at("test-said").textContent = start === undefined
    ? "This device has no test block. `test_block: {input: 40}` beside `gateway_block` in map.yaml places one: known values of every type, against which word order, scaling and addressing are settled before a reading is trusted."
    : "The test block holds known values of every type. Read it first: where the driver shows something else, choose that item and type what it shows. It tells whether words, bytes, type or address are read wrongly.";
}

function showFrozen() {
  const device = deviceNow();
  at("frozen").textContent = site.frozen
    ? `${count(site.frozen, "item is", "items are")} frozen, ${device.frozen} of ${named(device)}. A map.yaml that would move or change one of them is refused; \`aggregator thaw NAME\` on the gateway lets it go.`
    : "Nothing is frozen: any change of map.yaml may move what plant software reads. Once it reads this map, run `aggregator freeze` on the gateway; a map.yaml that would move or change what is frozen is refused from then on.";
}

function forget() {
  asked += 1;
  register = null;
  at("register-title").textContent = "No register chosen";
  at("register-body").replaceChildren(node("p", { class: "hint", text: "Choose one in the strip, or find it by its address." }));
  at("block").hidden = true;
}

// Show a register: `input:122`, of the device that is chosen.
async function go(where) {
  const mine = ++asked;
  let told;
  try {
    told = await get("/map/register", { device: deviceNow().name, at: where });
  } catch (error) {
    if (mine === asked) sayWrong(error);
    return;
  }
  if (mine !== asked) return;
  const table = told.register.table;
  if (deviceNow().tables.some((each) => each.table === table) && (at("table").value !== table || strip.table !== tableNow())) {
    at("table").value = table;
    showTable();
  }
  if (told.item && told.item.address !== told.register.address && told.item.table === table) told.chosen = told.item.address;
  register = told;
  pages = 1;
  strip.mark(told.item?.address ?? told.register.address, told.item?.size ?? 1);
  at("register-title").textContent = told.item ? `${told.item.owner} ${told.item.title}` : told.owner ?? "Nothing stands there";
  at("register-body").replaceChildren(...body(told, readers(), actions(told)));
  refresh(told);
  history.replaceState(null, "", `/map?${new URLSearchParams({ device: deviceNow().name, at: notation(told) })}`);
  await showBlock(mine);
}

const readers = () => readersOf(deviceNow(), deviceNow() === site.devices[0], register?.register.table ?? "input", register?.register.address ?? 0);

function actions(told) {
  const to = (item, text) => (item ? node("button", { type: "button", text, "aria-label": `${text}: ${item.owner} ${item.title}`, onclick: () => go(`${item.table}:${item.address}`) }) : "");
  const meter = told.item?.tag ? node("a", { class: "button", href: `/meters/${encodeURIComponent(told.item.tag)}`, text: `To ${told.item.tag}` }) : "";
  const seen = told.seen ? node("button", { type: "button", class: "main", text: `Show ${told.seen.table} register ${told.seen.address}`, onclick: () => go(`${told.seen.table}:${told.seen.address}`) }) : "";
  return node("p", { class: "buttons" }, seen, to(told.before, "Before"), to(told.after, "After"), meter);
}

async function showBlock(mine) {
  if (register.owner === null) { at("block").hidden = true; return; }
  const items = [];
  let told;
  for (let page = 0; page < pages; page += 1) {
    told = await get("/map/block", { device: deviceNow().name, at: notation(register), after: items.length });
    items.push(...told.items);
  }
  if (mine !== asked) return;
  at("block").hidden = false;
  at("block-title").textContent = `${told.owner}: ${told.span}`;
  at("block-about").textContent = `Layout ${told.layout}, placed in ${told.placed}.${items.length ? "" : " No item stands in it."}`;
  const focused = document.activeElement?.closest("#block-items tr")?.rowIndex;
  at("block-items").replaceChildren(...items.map((item) => itemRow(item, item.address === register.item?.address && item.title === register.item.title, () => go(`${item.table}:${item.address}`))));
  if (focused) at("block-items").rows[focused - 1]?.querySelector("button").focus();
  at("block-more").hidden = !told.more;
}

function sayWrong(error) {
  at("found").hidden = false;
  at("found").replaceChildren(node("p", { class: "wrong", text: error.message }));
}

// What somebody means by a text: gone to where it can only be one thing, else offered.
async function find() {
  const text = at("find").value.trim();
  at("found").hidden = true;
  if (!text) return;
  try {
    showFound(await get("/map/find", { device: deviceNow().name, text }));
  } catch (error) {
    sayWrong(error);
  }
}

function showFound(told) {
  const places = told.places.map((each) => ({ ...each, ...(each.item ?? each.seen ?? {}), says: each.register + (each.seen ? `: function 03 shows ${each.seen.table} register ${each.seen.address} there, ${each.seen.owner} ${each.seen.title}` : each.item ? `: ${each.item.owner} ${each.item.title}` : each.owner ? `: no item, ${each.owner}` : ": nothing stands there") }));
  const items = told.items.map((each) => ({ ...each, says: `${each.owner} ${each.title}: ${each.table} ${each.address}${site.devices.length > 1 ? ` of device ${each.device}` : ""}` }));
  const all = [...places, ...items];
  const offered = all.map((each) => node("li", {}, node("button", { class: "plain", text: each.says, onclick: () => goTo(each) })));
  at("found").hidden = false;
  at("found").replaceChildren(all.length ? node("ul", {}, ...offered) : node("p", { class: "wrong", text: told.said }), told.more ? node("p", { class: "hint", text: "There is more: say more of it." }) : "");
  if (all.length) goTo(all[0]);
}

async function goTo(place) {
  if (at("device").value !== place.device) { at("device").value = place.device; showDevice(false); }
  await go(`${place.table}:${place.address}`);
}

async function look() {
  if (document.hidden || site === null) return;
  try {
    await showPolls();
    if (register === null) return;
    const mine = asked;
    if (register.item) {
      const told = await get("/map/register", { device: deviceNow().name, at: notation(register) });
      if (mine !== asked) return;
      refresh(told);
      const words = readers();
      if (at("readers").textContent !== words) at("readers").textContent = words;
    }
    await showBlock(mine);
  } catch { /* the frame says that the gateway cannot be reached */ }
}

const KEYS = {
  ArrowRight: () => register.after && `${register.after.table}:${register.after.address}`,
  ArrowLeft: () => register.before && `${register.before.table}:${register.before.address}`,
  ArrowDown: () => below(1),
  ArrowUp: () => below(-1),
  PageDown: () => below(8),
  PageUp: () => below(-8),
  Home: () => `${tableNow().table}:${tableNow().taken[0][0]}`,
  End: () => `${tableNow().table}:${tableNow().taken.at(-1)[1]}`,
};

function below(rows) {
  const to = strip.further(register.item?.address ?? register.register.address, rows);
  return to !== null && `${tableNow().table}:${to}`;
}

async function byKey(event) {
  if (!(event.key in KEYS) || event.altKey || event.ctrlKey || event.metaKey) return;
  event.preventDefault();
  if (busy && event.repeat) return; // a key that is held down waits for what it has asked for
  waiting.push(event.key);
  if (busy) return;
  busy = true;
  while (waiting.length) {
    const key = waiting.shift();
    const to = register === null ? KEYS.Home() : KEYS[key]();
    if (to) await go(to);
  }
  busy = false;
}

at("strip").addEventListener("keydown", byKey);
at("finder").addEventListener("submit", (event) => { event.preventDefault(); find(); });
at("device").addEventListener("change", () => { showDevice(); showFrozen(); });
at("table").addEventListener("change", () => { forget(); showTable(); });
at("planner").addEventListener("submit", (event) => { event.preventDefault(); plan(deviceNow()); });
at("block-more").addEventListener("click", () => { pages += 1; showBlock(asked); });
at("test-show").addEventListener("click", async () => {
  const [[table, start]] = Object.entries(deviceNow().test_block).sort(([one], [other]) => (one === "input" ? -1 : other === "input" ? 1 : 0));
  await go(`${table}:${start}`);
  at("block").scrollIntoView({ block: "start" });
});
setInterval(look, EVERY);
follow({
  again: () => load().then(look),
  site(data) {
    if (generation !== null && generation !== data.generation) load();
    generation = data.generation;
  },
});
