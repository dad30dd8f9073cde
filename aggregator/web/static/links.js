// How links are written: stages, readings, signal, and the record of a link, for every page that shows one.

import { get, mayEngineer } from "/static/ask.js";
import { clock, facts, mark, node, span, unit, value } from "/static/words.js";

const DIGITS = 9; // of counters and of what a display shows
const VERIFIED = "verified";
const DISAGREES = "does not agree";

export function stageOf(stage) {
  return stage === VERIFIED ? node("span", { class: "verified", text: stage }) : mark(stage === DISAGREES ? "high" : "note", stage);
}

export const amount = (number, of) => `${value(number, DIGITS)} ${unit(of ?? "")}`.trim();

export const readsOf = (reads) => reads.map((each) => `${each.label || each.field} ${amount(each.value, each.unit)}${each.quality === "good" ? "" : ` (${each.quality})`}`).join(", ");

export function signalOf(radio) {
  if (!radio || (radio.rssi === null && radio.snr === null)) return "signal not told";
  const said = [];
  if (radio.rssi !== null) said.push(`RSSI ${value(radio.rssi)} dBm`);
  if (radio.snr !== null) said.push(`SNR ${value(radio.snr)} dB`);
  if (radio.spreading_factor !== null) said.push(`SF${radio.spreading_factor}`);
  return said.join(", ");
}

// A moment for a record that is read elsewhere and later: whole, and in UTC.
export const moment = (utc) => (utc === null || utc === undefined ? "–" : `${new Date(utc * 1000).toISOString().slice(0, 19).replace("T", " ")} UTC`);

function checksOf(link) {
  const rows = [...link.checks].reverse().map((each) => node("tr", {},
    node("td", { "data-label": "When", text: moment(each.at) }), node("td", { "data-label": "Who", text: each.who }), node("td", { "data-label": "Field", text: each.field }),
    node("td", { "data-label": "Display", class: "number", text: amount(each.shows, each.unit) }), node("td", { "data-label": "Node", class: "number", text: amount(each.read, each.unit) }),
    node("td", { "data-label": "Result" }, each.agrees ? "agrees" : mark("high", `off by ${amount(Math.abs(each.off), each.unit)}`))));
  const heads = ["When", "Who", "Field", "Display", "Node", "Result"];
  return node("table", { class: "stack" }, node("caption", { text: "Display and reading compared, newest first" }),
    node("thead", {}, node("tr", {}, ...heads.map((each) => node("th", { scope: "col", text: each })))), node("tbody", {}, ...rows));
}

// The record of one link: who, when, what was seen, noted and compared.
export function recordOf(link, signal = null) {
  const known = [
    ["Node", node("span", { class: "code", text: link.node })],
    ["Linked by", link.by_file ? `${link.who === "meters.yaml" ? "" : `${link.who}, then `}meters.yaml` : link.who],
    ["On the meter since", moment(link.since)],
    link.entered - link.since > 1 ? ["Entered", moment(link.entered)] : null,
    link.clock === "trusted" ? null : ["Gateway's clock", `${link.clock} when this was entered`],
    ["Verified", link.verified === null ? "not yet" : link.verified ? "yes: display and reading agree" : mark("high", "no: display and reading do not agree")],
    link.seen ? ["Read when linked", `${readsOf(link.seen.reads)}, ${span(Math.max(0, link.entered - link.seen.at))} before`] : null,
    link.seen ? ["Signal when linked", signalOf(link.seen)] : null,
    signal ? ["Signal now", signalOf(signal)] : null,
    link.place ? ["Place", link.place] : null,
    link.antenna ? ["Antenna", link.antenna] : null,
    link.note ? ["Note", link.note] : null,
    link.label.serial ? ["Serial number", link.label.serial] : null,
    link.label.join ? ["JoinEUI", node("span", { class: "code", text: link.label.join })] : null,
    link.end ? ["Ended", `${moment(link.end.at)}, by ${link.end.who}${link.end.why ? `: ${link.end.why}` : ""}`] : null,
  ].filter(Boolean);
  return node("div", { class: "record" },
    node("dl", { class: "facts" }, ...facts(known)),
    link.checks.length ? checksOf(link) : null,
    link.photo ? node("img", { class: "photo", src: `/api/v1/links/${encodeURIComponent(link.tag)}/photos/${encodeURIComponent(link.photo)}`, alt: `Photo of the node on ${link.tag}` }) : null);
}

// The links that have ended, each folded away.
export function pastOf(links) {
  return links.map((link) => node("details", {}, node("summary", {}, node("span", { class: "code", text: link.node }), ` until ${clock(link.end.at)}${link.end.why ? `, ${link.end.why}` : ""}`), recordOf(link)));
}

// A meter's link as its own page shows it: how far it is, the record, and those before. What is the same stays as it is,
// so that nothing folds up under who reads it.
export async function showLink(place, tag) {
  const told = await get(`/links/${encodeURIComponent(tag)}`);
  const shown = JSON.stringify([told.stage, told.node, told.link, told.past.length]);
  if (place.dataset.shown === shown) return;
  place.dataset.shown = shown;
  const whose = told.node ? [" ", node("span", { class: "code", text: told.node }), told.by_file ? ` by meters.yaml (${told.declared_at})` : ""] : [];
  place.replaceChildren(
    node("p", {}, stageOf(told.stage), ...whose),
    told.link ? recordOf(told.link) : "",
    node("p", {}, node("a", { href: `/linking/${encodeURIComponent(tag)}`, text: mayEngineer ? (told.node ? "Verify, note, exchange" : "Link a node") : "The record, to print" })),
    ...(told.past.length ? [node("h3", { text: "Links before" }), ...pastOf(told.past)] : []));
}
