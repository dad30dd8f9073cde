// Asking for something by a dialog, which stays open, with the reason, where what it asks for is refused.

import { node } from "/static/words.js";

// `job` gets the form's data and does what is asked for; `other`, if given, is a second way to end, as {text, job}.
// Resolves to whether anything was done.
export function ask(title, fields, { main, job, other }) {
  const wrong = node("p", { class: "wrong", role: "alert", hidden: true });
  const dialog = node("dialog", { "aria-labelledby": "dialog-title" });
  const attempt = async (act) => {
    wrong.hidden = true;
    try {
      await act(new FormData(form));
      dialog.close("done");
    } catch (error) {
      wrong.textContent = error.message;
      wrong.hidden = false;
    }
  };
  const form = node("form", { method: "dialog" }, node("h2", { id: "dialog-title", text: title }), ...fields, wrong,
    node("div", { class: "buttons" },
      node("button", { class: "main", text: main }),
      other ? node("button", { type: "button", text: other.text, onclick: () => attempt(other.job) }) : null,
      node("button", { type: "button", text: "Cancel", onclick: () => dialog.close() })));
  form.addEventListener("submit", (event) => { event.preventDefault(); attempt(job); });
  dialog.append(form);
  document.body.append(dialog);
  dialog.showModal();
  return new Promise((closed) => dialog.addEventListener("close", () => { dialog.remove(); closed(dialog.returnValue === "done"); }));
}
