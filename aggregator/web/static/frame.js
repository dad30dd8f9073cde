// What every page shows: how many alarms somebody has yet to take note of, and what keeps the site from being seen.

import { follow } from "/static/live.js";
import { value } from "/static/words.js";

const owed = document.getElementById("owed");
const state = document.getElementById("state");
let lost = false;
let site = null;

// On a phone the row of pages may be wider than the screen: the page that is shown stays in view there.
function showWhere() {
  const current = document.querySelector(".top nav [aria-current]");
  if (current) current.parentElement.scrollLeft = current.offsetLeft + current.offsetWidth - current.parentElement.clientWidth;
}

function show() {
  const said = [];
  if (lost) said.push("No connection to the gateway: what this page shows is no longer kept up to date.");
  if (site && !site.broker_connected) said.push("The broker cannot be heard: no new readings arrive.");
  if (site && !site.stored) said.push("The store takes nothing: readings are shown and not kept.");
  if (site && !site.clock_trusted) said.push("The gateway's clock is not trustworthy: dates may be wrong.");
  if (site && site.files_refused) said.push("Changed files were refused: the service goes on with the ones before. See Service.");
  state.textContent = said.join(" ");
  state.hidden = said.length === 0;
}

showWhere();
follow({
  again() { lost = false; show(); },
  lost() { lost = true; show(); },
  site(data) { site = data; show(); },
  alarms(data) {
    owed.hidden = data.unacknowledged === 0;
    owed.textContent = value(data.unacknowledged);
    owed.setAttribute("aria-label", `${data.unacknowledged} unacknowledged`);
    const title = document.title.replace(/^\(\d+\) /, "");
    document.title = data.unacknowledged ? `(${data.unacknowledged}) ${title}` : title;
  },
});
