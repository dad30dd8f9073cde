// The live stream, once a page: `follow({meters, alarms, site, again})`. `again` is called when the stream begins or
// begins anew, for whoever has to load everything. `serverTime` is the service's clock, in seconds since 1970.

const followers = [];
let source = null;
let hasBegun = false; // at least once: it may have broken off since
let offset = 0;

export const serverTime = () => Date.now() / 1000 + offset;

export function follow(handlers) {
  followers.push(handlers);
  if (source === null) open();
  else if (hasBegun) handlers.again?.(); // it began while this page's part was fetched
}

function open() {
  source = new EventSource("/api/v1/live");
  source.addEventListener("open", () => {
    hasBegun = true;
    tell("again");
  });
  source.addEventListener("error", () => tell("lost"));
  for (const name of ["meters", "alarms", "site"]) {
    source.addEventListener(name, (event) => {
      const data = JSON.parse(event.data);
      if (name === "site") offset = data.utc - Date.now() / 1000;
      tell(name, data);
    });
  }
}

function tell(name, data) {
  for (const each of followers) each[name]?.(data);
}
