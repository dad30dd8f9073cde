// What people do about one alarm, wherever it is shown: the dialogs, and the sentence that says what became of an act.

import { post } from "/static/ask.js";
import { ask } from "/static/dialog.js";
import { limit, node, value } from "/static/words.js";

const said = document.getElementById("said");
const PERIODS = [["15 min", 900], ["30 min", 1800], ["1 h", 3600], ["2 h", 7200], ["4 h", 14400], ["8 h", 28800], ["12 h", 43200], ["24 h", 86400]];

export const titleOf = (alarm) => `${alarm.tag} ${alarm.alarm}`;
export const meant = (alarm) => ({ tag: alarm.tag, alarm: alarm.alarm });
export const amount = (number, unit) => (number === null ? "–" : `${value(number)} ${unit}`.trim());

export function say(text, wrong = false) {
  said.textContent = text;
  said.className = `said ${wrong ? "wrong" : "done"}`;
  said.hidden = !text;
}

// Ask for an act; what it answers goes into a sentence, what refuses it is shown as it was said.
export async function act(path, body, sentence) {
  try {
    const told = await post(`/alarms/${path}`, body);
    say(sentence(told));
    return told;
  } catch (error) {
    say(error.message, true);
    return null;
  }
}

export const becameOf = (told) => `${titleOf(told)}: ${told.state}.`;

export function askShelve(alarm) {
  const lasts = node("select", {}, ...PERIODS.map(([text, s]) => node("option", { value: s, text })));
  lasts.value = "3600";
  const why = node("input", { required: true, maxlength: 200, autocomplete: "off" });
  return ask(`Shelve ${titleOf(alarm)}`, [
    node("p", { class: "hint", text: "It announces nothing until its time is over; what is owed now is owed again then." }),
    node("label", {}, "For", lasts),
    node("label", {}, "Why, for whoever takes over", why),
  ], {
    main: "Shelve",
    job: async () => {
      await post("/alarms/shelve", { ...meant(alarm), lasts: Number(lasts.value), why: why.value });
      say(`${titleOf(alarm)} is shelved for ${lasts.selectedOptions[0].text}.`);
    },
  });
}

export function askSetpoint(alarm) {
  const [low, high] = alarm.may_be;
  const times = alarm.written?.times ?? 1; // a rate is asked for in the unit in which people wrote it
  const asked = Number((alarm.setpoint * times).toPrecision(9));
  const input = node("input", { type: "number", step: "any", required: true, value: asked, inputmode: "decimal" });
  const set = async (wanted) => {
    const told = await post("/alarms/setpoint", { ...meant(alarm), value: wanted });
    say(`${titleOf(alarm)}: the setpoint is ${limit(alarm, told.setpoint)}; ${told.state}.`);
  };
  return ask(`Setpoint of ${titleOf(alarm)}`, [
    node("p", { class: "hint", text: `It may be ${limit(alarm, low)} to ${limit(alarm, high)}; the site's file says ${limit(alarm, alarm.setpoint_of_file)}.` }),
    node("label", {}, alarm.unit ? `Setpoint in ${alarm.written?.unit ?? alarm.unit}` : "Setpoint", input),
  ], {
    main: "Set",
    job: () => set(input.valueAsNumber === asked ? alarm.setpoint : input.valueAsNumber / times),
    other: { text: "As in the file", job: () => set(null) },
  });
}

export const serve = (alarm, on) => act("service", { ...meant(alarm), on }, becameOf);
