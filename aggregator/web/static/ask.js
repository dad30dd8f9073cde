// Asking the service: JSON in, JSON out. What is refused comes back as an Error with the service's own sentence.

const API = "/api/v1";
const token = document.body.dataset.token;
export const mayOperate = document.body.dataset.operate === "yes";
export const mayEngineer = document.body.dataset.engineer === "yes";

async function answer(response) {
  if (response.status === 401) {
    location.assign(`/sign-in?to=${encodeURIComponent(location.pathname)}`);
    throw new Error("sign in first.");
  }
  const kind = response.headers.get("content-type") ?? "";
  const body = kind.includes("json") ? await response.json() : await response.text();
  if (!response.ok) {
    throw new Error(body.wrong ?? `the service answered ${response.status}.`);
  }
  return body;
}

export async function get(path, parameters = {}) {
  const query = new URLSearchParams();
  for (const [key, value] of Object.entries(parameters)) {
    if (value === null || value === undefined || value === "") continue;
    for (const each of Array.isArray(value) ? value : [value]) query.append(key, each);
  }
  const text = query.toString();
  return answer(await fetch(`${API}${path}${text ? `?${text}` : ""}`));
}

export async function post(path, body = {}) {
  return answer(await fetch(`${API}${path}`, {
    method: "POST",
    headers: { "content-type": "application/json", "x-visit-token": token },
    body: JSON.stringify(body),
  }));
}

export async function put(path, blob) {
  return answer(await fetch(`${API}${path}`, {
    method: "PUT", headers: { "content-type": blob.type || "application/octet-stream", "x-visit-token": token }, body: blob,
  }));
}
