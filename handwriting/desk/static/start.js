// @ts-check
/** The start page: files by drop, paste or choice, and the pages in hand as they get measured. */
import { change, say, the } from "./desk.js";

const form = /** @type {HTMLFormElement} */ (the("take"));
const drop = the("drop");
const files = /** @type {HTMLInputElement} */ (the("files"));

/**
 * Send files and go to the page, or stay with the list when there are several.
 * @param {File[]} chosen
 */
async function take(chosen) {
  if (!chosen.length) return;
  const data = new FormData(form);
  data.delete("files");
  for (const file of chosen) data.append("files", file, file.name || "pasted picture");
  the("chosen").textContent = chosen.length === 1 ? "Taking in the page …" : `Taking in ${chosen.length} files …`;
  const body = await change("/work", data);
  the("chosen").textContent = "";
  if (body) window.location.assign(body.where);
}

for (const kind of ["dragenter", "dragover"]) {
  document.addEventListener(kind, (event) => {
    event.preventDefault();
    drop.classList.add("over");
  });
}
document.addEventListener("dragleave", (event) => {
  if (!event.relatedTarget) drop.classList.remove("over");
});
document.addEventListener("drop", (event) => {
  event.preventDefault();
  drop.classList.remove("over");
  take([...(event.dataTransfer?.files ?? [])]);
});
document.addEventListener("paste", (event) => {
  const pasted = [...(event.clipboardData?.files ?? [])];
  if (pasted.length) {
    event.preventDefault();
    take(pasted);
  }
});
files.addEventListener("change", () => {
  const names = [...(files.files ?? [])].map((f) => f.name);
  the("chosen").textContent = names.length ? `Chosen: ${names.join(", ")}` : "";
});
form.addEventListener("submit", (event) => {
  event.preventDefault();
  const chosen = [...(files.files ?? [])];
  if (chosen.length) take(chosen);
  else say("No file was chosen. Drop a scan on the page, paste one, or choose files.");
});

async function follow() {
  const waiting = /** @type {HTMLElement[]} */ ([...document.querySelectorAll('.card[data-stage="waiting"]')]);
  if (!waiting.length) return;
  for (const card of waiting) {
    const answer = await fetch(`/work/${card.dataset.id}/status`).catch(() => null);
    if (!answer?.ok) continue;
    const now = await answer.json();
    const state = /** @type {HTMLElement} */ (card.querySelector(".state"));
    if (now.stage === "waiting") state.textContent = `${now.says} …`;
    else {
      card.dataset.stage = now.stage;
      state.textContent = now.stage === "measured" ? "measured" : now.trouble;
    }
  }
  setTimeout(follow, 700);
}
follow();
