// One meter and its node, step by step, on a phone at the meter. How far it is is told by the service each time, so
// that a page that is loaded again, or on another phone, goes on where it was.

import { get, mayEngineer, post, put } from "/static/ask.js";
import { amount, moment, pastOf, readsOf, recordOf, signalOf, stageOf } from "/static/links.js";
import { follow } from "/static/live.js";
import { scan, stop, whyNot } from "/static/scan.js";
import { at, clock, facts, mark, node, span, unit, value } from "/static/words.js";

const EVERY = 15000; // ms between two looks
const LARGEST_SIDE = 1600; // pixels of a photo that is kept
const QUALITY = 0.85; // of its JPEG
const tag = document.body.dataset.tag;
const path = `/links/${encodeURIComponent(tag)}`;
let told = null;
let code = null; // what the service says of the code that was read last
let swapping = false; // whether another node is put in the place of the one that sits there

function complain(place, error) {
  place.textContent = error?.message ?? "";
  place.hidden = !error;
}

async function attempt(place, act) {
  complain(place, null);
  try {
    return await act();
  } catch (error) {
    complain(place, error);
    return null;
  }
}

// Which step is the present one: told by what is on record, not by what this page remembers.
function present() {
  if (!told.node || swapping) return "node";
  if (told.stage === "not heard") return "uplink";
  if (told.stage !== "verified") return "display";
  if (told.age === null) return "uplink"; // verified by what it had sent before it was linked
  return told.link?.place || told.link?.antenna || told.link?.note || told.link?.photo ? "" : "notes";
}

function showSteps() {
  const done = {
    node: Boolean(told.node) && !swapping,
    uplink: Boolean(told.node) && told.age !== null,
    display: told.stage === "verified",
    notes: Boolean(told.link && (told.link.place || told.link.antenna || told.link.note || told.link.photo)),
  };
  const now = present();
  for (const [name, is] of Object.entries(done)) {
    const step = at(`step-${name}`);
    step.className = is ? "is-done" : name === now ? "is-now" : "";
    step.querySelector("small").textContent = is ? "done" : name === now ? "now" : name === "notes" ? "if you like" : "later";
    if (name === now) step.setAttribute("aria-current", "step");
    else step.removeAttribute("aria-current");
  }
}

// The node

function showNode() {
  at("seated").hidden = !told.node;
  const since = told.since === null ? "" : ` since ${moment(told.since)}`;
  const whose = told.by_file ? [` by meters.yaml (${told.declared_at}). The file says which node sits here, and is changed there; the link can be verified here.`] : [`${since}, linked by ${told.who}.`];
  if (told.node) at("seated").replaceChildren(node("span", { class: "code", text: told.node }), ...whose);
  at("code-form").hidden = Boolean(told.node) && !swapping;
  at("code-cancel").hidden = !swapping;
  at("link-form").hidden = at("code-form").hidden || code === null;
}

function showCode() {
  const { heard, sits_on: there } = code;
  const shown = JSON.stringify([code, swapping]);
  if (at("found").dataset.shown === shown) return; // what has not changed is not read out again
  at("found").dataset.shown = shown;
  const said = [node("p", {}, "The label says node ", node("b", { class: "code", text: code.node }), code.serial ? `, serial number ${code.serial}` : "", ".")];
  if (there) said.push(node("p", {}, mark("high", `It sits on ${there}.`), " Check the labels, or take it off there first."));
  else if (heard) {
    said.push(node("p", { text: `Heard ${heard.count === 1 ? "once" : `${value(heard.count, 9)} times`}, the last time at ${clock(heard.last)}; ${signalOf(heard)}.` }));
    said.push(code.reads.length ? node("p", { text: `On ${tag} it would read: ${readsOf(code.reads)}.` }) : node("p", {}, mark("medium", `What it sent cannot be read as ${told.title || told.profile}`), `: ${code.unreadable}.`));
  } else said.push(node("p", { text: "It was not heard yet. It can be linked all the same; its next uplink will show here." }));
  at("found").replaceChildren(...said);
  at("link-it").textContent = swapping ? `Put it in place of ${told.node}` : `Link it to ${tag}`;
  at("link-it").disabled = Boolean(there);
}

async function readCode(text, place = at("code-wrong")) {
  const found = await attempt(place, () => post("/nodes/code", { node: text, tag }));
  code = found;
  if (found) {
    const url = new URL(location);
    url.searchParams.set("node", found.node);
    history.replaceState(null, "", url);
    showCode();
  }
  showNode();
}

async function useCamera() {
  at("viewer").hidden = false;
  const text = await attempt(at("code-wrong"), () => scan(at("camera")));
  at("viewer").hidden = true;
  if (text === null) return;
  at("code").value = text;
  await readCode(text);
}

function forgetCode() {
  code = null;
  swapping = false;
  at("code").value = "";
  at("since").value = "";
  history.replaceState(null, "", location.pathname);
}

async function linkIt(event) {
  event.preventDefault();
  const since = at("since").value ? new Date(at("since").value).getTime() / 1000 : null;
  // The whole text goes along where it is that of the code, for what the label says besides the DevEUI.
  const text = at("code").value.trim() || code.node;
  const answer = await attempt(at("code-wrong"), () => post(`${path}/${swapping ? "swap-node" : "link"}`, { node: text, since }));
  if (!answer) return;
  forgetCode();
  at("compared").replaceChildren();
  await load();
  const aside = answer.taken ? ` Of what was set aside of it ${value(answer.taken.shown + answer.taken.late, 9)} were taken.` : answer.set_aside ? ` ${answer.set_aside === 1 ? "1 earlier uplink of it stays" : `${value(answer.set_aside, 9)} earlier uplinks of it stay`} set aside.` : "";
  say(`Linked.${aside}`);
}

// What was done, and on to the present step, for whoever has no pointer too.
function say(words) {
  at("stage").append(` ${words}`);
  const heading = document.querySelector(".steps [aria-current] h2") ?? at("h-record");
  heading.tabIndex = -1;
  heading.focus();
}

// The uplink

function showUplink() {
  const parts = [];
  const known = told.fields.filter((each) => each.age !== null);
  if (!told.node) parts.push(node("p", { class: "hint", text: "Comes once a node is linked." }));
  else if (told.age === null) parts.push(node("p", {}, mark("note", `Waiting for the next uplink; one comes every ${span(told.reports_every)}.`), " This page shows it when it arrives."));
  else parts.push(node("p", { text: `Heard ${span(told.age)} ago; ${signalOf(told.signal)}.` }));
  if (told.node && known.length) {
    const before = told.age === null ? [node("p", { class: "hint", text: "What it sent last before it was linked:" })] : [];
    parts.push(...before, node("dl", { class: "facts" }, ...facts(known.map((each) => [
      each.label || each.field,
      node("b", { text: amount(each.value, each.unit) }),
      [told.age !== null && each.age - told.age < 2 ? "" : ` ${span(each.age)} ago`, each.quality === "good" ? "" : ` ${each.quality}`].filter(Boolean).join(",")]))));
  }
  at("uplink").replaceChildren(...parts);
}

// The display

const comparable = () => told.fields.filter((each) => each.bounds !== null);

function showDisplay() {
  const fields = told.node && !swapping ? comparable() : [];
  at("display-form").hidden = fields.length === 0;
  const names = fields.map((each) => each.field).join();
  if (at("display-fields").dataset.names === names) return; // what somebody is typing stays
  at("display-fields").dataset.names = names;
  at("display-fields").replaceChildren(...fields.map((each) => node("label", {}, `${each.label || each.field}${unit(each.unit) ? `, ${unit(each.unit)}` : ""}`, node("input", { name: each.field, type: "number", step: "any", inputmode: "decimal", autocomplete: "off" }))));
}

async function compareDisplay(event) {
  event.preventDefault();
  const shows = {};
  for (const each of comparable()) {
    const text = new FormData(event.target).get(each.field)?.trim();
    if (text) shows[each.field] = { value: Number(text), unit: each.unit };
  }
  at("compared").replaceChildren();
  if (!Object.keys(shows).length) {
    complain(at("display-wrong"), new Error("Enter what the display shows of at least one field."));
    return;
  }
  const answer = await attempt(at("display-wrong"), () => post(`${path}/verify`, { shows }));
  if (!answer) return;
  const latest = answer.link.checks.slice(-Object.keys(shows).length);
  at("compared").replaceChildren(...latest.map((each) => node("li", {}, each.agrees ? each.says : mark("high", each.says))));
  if (latest.every((each) => each.agrees)) event.target.reset();
  await load();
}

// Notes

async function smaller(file) {
  const picture = await createImageBitmap(file).catch(() => { throw new Error("That file is no picture that this browser can read."); });
  const scale = Math.min(1, LARGEST_SIDE / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [Math.round(picture.width * scale), Math.round(picture.height * scale)];
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return new Promise((made) => canvas.toBlob(made, "image/jpeg", QUALITY));
}

async function putOnRecord(event) {
  event.preventDefault();
  const notes = Object.fromEntries(["place", "antenna", "note"].map((name) => [name, at(name).value.trim()]).filter(([name, text]) => text && text !== told.link?.[name]));
  const [photo] = at("photo").files;
  at("notes-said").textContent = "";
  if (!photo && !Object.keys(notes).length) {
    complain(at("notes-wrong"), new Error("There is nothing new to put on record."));
    return;
  }
  const done = await attempt(at("notes-wrong"), async () => {
    if (Object.keys(notes).length) await post(`${path}/verify`, notes);
    if (photo) await put(`${path}/photo`, await smaller(photo));
    return true;
  });
  await load();
  if (!done) return;
  at("photo").value = "";
  at("notes-said").textContent = "On record.";
}

function showNotes() {
  at("notes-form").hidden = !told.node || swapping;
  for (const name of ["place", "antenna", "note"]) {
    if (document.activeElement !== at(name) && !at(name).value) at(name).value = told.link?.[name] ?? "";
  }
}

// Exchange

function showExchange() {
  at("exchange").hidden = !told.node;
  at("swap-node").hidden = told.by_file;
  at("unlink").hidden = told.by_file;
}

function open(form) {
  for (const each of ["swap-meter-form", "unlink-form"]) at(each).hidden = each !== form;
  if (form) at(form).querySelector("input")?.focus();
}

function askForMeter() {
  const names = Object.keys(told.counters);
  at("counters").replaceChildren(...names.flatMap((name) => {
    const field = told.fields.find((each) => each.field === name);
    const label = `${field?.label || name}, ${unit(field?.unit ?? "")}`;
    const last = told.counters[name]?.last;
    return [
      node("label", {}, `Old counter: ${label}`, node("input", { name: `old ${name}`, type: "number", step: "any", min: 0, inputmode: "decimal", placeholder: "empty if it cannot be read" }), last === undefined ? "" : node("span", { text: `its last reading was ${amount(last, field?.unit)}` })),
      node("label", {}, `New counter: ${label}`, node("input", { name: `new ${name}`, type: "number", step: "any", min: 0, inputmode: "decimal", required: true })),
    ];
  }));
  if (!names.length) at("counters").replaceChildren(node("p", { text: "This model has no counter; nothing is to be carried over." }));
  open("swap-meter-form");
}

async function exchangeMeter(event) {
  event.preventDefault();
  const form = new FormData(event.target);
  const counters = Object.fromEntries(Object.keys(told.counters).map((name) => {
    const old = form.get(`old ${name}`);
    return [name, { old: old === "" ? null : Number(old), new: Number(form.get(`new ${name}`)) }];
  }));
  const answer = await attempt(event.target.querySelector(".wrong"), () => post(`${path}/swap-meter`, { counters }));
  if (!answer) return;
  open("");
  at("compared").replaceChildren();
  await load();
  const totals = Object.entries(answer.totals).map(([name, total]) => `${name} goes on from ${value(total, 9)}`);
  say(`Another meter stands here now${totals.length ? `; ${totals.join(", ")}` : ""}.`);
}

async function takeOff(event) {
  event.preventDefault();
  const answer = await attempt(event.target.querySelector(".wrong"), () => post(`${path}/unlink`, { why: at("why").value.trim() }));
  if (!answer) return;
  at("why").value = "";
  open("");
  at("compared").replaceChildren();
  await load();
  say(`Node ${answer.past[0].node} was taken off and is free.`);
}

function swapNode() {
  swapping = true;
  code = null;
  open("");
  showAll();
  at("step-node").scrollIntoView({ block: "start" });
  at("code").focus();
}

// All of it

function showAll() {
  at("meter").textContent = [told.name, told.area, told.title || told.profile].filter(Boolean).join(", ");
  at("stage").removeAttribute("aria-busy");
  at("record-part").hidden = !told.link;
  if (told.link) at("record").replaceChildren(recordOf(told.link, told.signal));
  at("past-part").hidden = told.past.length === 0;
  at("past").dataset.count ??= "0";
  if (at("past").dataset.count !== String(told.past.length)) {
    at("past").dataset.count = String(told.past.length);
    at("past").replaceChildren(...pastOf(told.past));
  }
  if (!mayEngineer) return;
  showSteps();
  showNode();
  showUplink();
  showDisplay();
  showNotes();
  showExchange();
}

async function load() {
  const before = told?.stage;
  told = await attempt(at("wrong"), () => get(path)) ?? told;
  if (!told) return;
  if (before !== told.stage || !at("stage").children.length) at("stage").replaceChildren(stageOf(told.stage), told.by_file ? " Linked by meters.yaml." : "");
  showAll();
}

if (mayEngineer) {
  const not = whyNot();
  at("scan").hidden = not !== "";
  at("scan-not").hidden = not === "";
  at("scan-not").textContent = not;
  at("scan").addEventListener("click", useCamera);
  at("scan-stop").addEventListener("click", stop);
  at("code-form").addEventListener("submit", (event) => { event.preventDefault(); readCode(at("code").value); });
  at("code-cancel").addEventListener("click", () => { forgetCode(); complain(at("code-wrong"), null); showAll(); });
  at("link-form").addEventListener("submit", linkIt);
  at("display-form").addEventListener("submit", compareDisplay);
  at("notes-form").addEventListener("submit", putOnRecord);
  at("swap-node").addEventListener("click", swapNode);
  at("swap-meter").addEventListener("click", askForMeter);
  at("swap-meter-form").addEventListener("submit", exchangeMeter);
  at("unlink").addEventListener("click", () => open("unlink-form"));
  at("unlink-form").addEventListener("submit", takeOff);
  for (const each of document.querySelectorAll("[data-cancel]")) each.addEventListener("click", () => open(""));
}
at("print").addEventListener("click", () => print());

async function again() {
  await load();
  const wanted = code?.node ?? new URLSearchParams(location.search).get("node");
  if (mayEngineer && wanted && told && (!told.node || swapping)) {
    if (!at("code").value) at("code").value = wanted;
    await readCode(at("code").value);
  }
}

follow({ again, meters(changed) { if (changed.some((each) => each.tag === tag)) load(); } });
setInterval(() => { if (!document.hidden) again(); }, EVERY);
