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

/** Keep the list of pages in hand up to date, and say when a watched folder brought new ones. */
async function follow() {
  const cards = /** @type {HTMLElement[]} */ ([...document.querySelectorAll(".card")]);
  const arrived = document.getElementById("arrived");
  if (!arrived && !cards.some((card) => card.dataset.stage === "waiting")) return;
  const answer = await fetch("/hand").catch(() => null);
  const now = answer?.ok ? await answer.json() : {};
  for (const card of cards) {
    const one = now[card.dataset.id ?? ""];
    if (!one || card.dataset.stage !== "waiting") continue;
    card.dataset.stage = one.stage;
    const state = /** @type {HTMLElement} */ (card.querySelector(".state"));
    state.textContent = one.stage === "waiting" ? `${one.says} …` : one.stage === "measured" ? "measured" : one.trouble;
  }
  if (arrived) arrived.hidden = Object.keys(now).every((id) => cards.some((card) => card.dataset.id === id));
  setTimeout(follow, 700);
}
follow();
