// @ts-check
/** One page: waiting for it, seeing it, and the measures beside it. */
import { say, the } from "./desk.js";
import { drawLayers, marksOf } from "./drawing.js";
import { Eye } from "./eye.js";
import { PutRight } from "./putright.js";

/** @typedef {import("./drawing.js").View} View */
/** @typedef {import("./drawing.js").Measure} Measure */

const work = the("work");
const id = work.dataset.id ?? "";
const svg = /** @type {SVGElement} */ (/** @type {unknown} */ (the("marks")));
/** @type {View} */
let view;
/** @type {Measure | null} */
let held = null;

/** @param {"waiting" | "stopped" | "measured"} stage */
function showStage(stage) {
  work.dataset.stage = stage;
  the("waiting").hidden = stage !== "waiting";
  the("stopped").hidden = stage !== "stopped";
  the("split").hidden = stage !== "measured";
}

async function wait() {
  const answer = await fetch(`/work/${id}/status`).catch(() => null);
  if (!answer) {
    say("The desk does not answer. Start it again with “handwriting desk”; nothing that was saved is lost.");
    setTimeout(wait, 3000);
    return;
  }
  if (!answer.ok) {
    say("This page is not in hand any more.");
    return;
  }
  const now = await answer.json();
  if (now.stage === "measured") {
    await load();
  } else if (now.stage === "stopped") {
    the("trouble").textContent = now.trouble;
    the("asked").setAttribute("open", "");
    showStage("stopped");
  } else {
    the("says").textContent = now.says;
    the("seconds").textContent = `${Math.round(now.seconds)} s`;
    setTimeout(wait, 20);
  }
}

const eye = new Eye(the("paper"), the("plane"), svg);
const right = new PutRight(id, eye, show);

async function load() {
  const answer = await fetch(`/work/${id}/view.json`);
  if (!answer.ok) {
    say("The page could not be shown. Measure it again.");
    return;
  }
  showStage("measured");
  show(await answer.json());
  eye.fit();
  performance.mark("measured-view");
}

/**
 * Show a view: marks, measures, notes.
 * @param {View} next
 */
function show(next) {
  view = next;
  // The picture is made anew when a part of it is blanked.
  const source = `/work/${id}/picture.jpg?blanked=${encodeURIComponent(JSON.stringify(view.cover))}`;
  const picture = /** @type {HTMLImageElement} */ (the("picture"));
  if (picture.getAttribute("src") !== source) picture.src = source;
  drawLayers(svg, view);
  right.show(view);
  eye.show(view);
  switchLayers();
  the("found").textContent = `${view.found}. Scale: ${view.scale}`;
  listMeasures();
  the("notes").replaceChildren(
    ...view.notes.map((note) => {
      const item = document.createElement("li");
      const meaning = document.createElement("strong");
      meaning.textContent = note.meaning;
      item.append(meaning, ` ${note.effect} ${note.advice}`);
      return item;
    }),
  );
  the("notes-part").hidden = !view.notes.length;
}

function listMeasures() {
  const focused = /** @type {HTMLElement | null} */ (document.activeElement)?.dataset.key;
  const shown = view.measures.map((group) => {
    const box = document.createElement("div");
    box.className = "measures-group";
    const head = document.createElement("h3");
    head.textContent = group.title;
    box.append(head, ...group.rows.map(row));
    return box;
  });
  the("measures").replaceChildren(...shown);
  if (focused) /** @type {HTMLElement | null} */ (document.querySelector(`[data-key="${focused}"]`))?.focus();
  if (held) light(held);
}

/**
 * @param {Measure} measure
 * @returns {HTMLElement}
 */
function row(measure) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "measure";
  made.dataset.key = measure.key;
  made.title = measure.term;
  made.setAttribute("aria-pressed", String(held?.key === measure.key));
  /** @type {(name: string, text: string) => void} */
  const part = (name, text) => {
    const span = document.createElement("span");
    span.className = name;
    span.textContent = text;
    made.append(span, " ");
  };
  part("name", measure.name);
  if (measure.found) part("why", `Before it was put right: ${measure.found}`);
  if (measure.value) {
    part("value", measure.value);
    part("range", `likely ${measure.interval}; n ${measure.n}`);
  } else {
    part("value", "–");
    part("why", measure.why ?? "");
  }
  made.addEventListener("pointerenter", () => light(measure));
  made.addEventListener("pointerleave", () => light(held));
  made.addEventListener("focus", () => light(measure));
  made.addEventListener("blur", () => light(held));
  made.addEventListener("click", () => {
    held = held?.key === measure.key ? null : measure;
    document
      .querySelectorAll(".measure")
      .forEach((m) => m.setAttribute("aria-pressed", String(/** @type {HTMLElement} */ (m).dataset.key === held?.key)));
    light(held);
  });
  return made;
}

/** @param {Measure | null} measure the one whose marks light up; none when null */
function light(measure) {
  const shapes = measure ? marksOf(view, measure.marks) : [];
  the("lit").replaceChildren(...shapes);
  svg.classList.toggle("lit", shapes.length > 0);
}

function switchLayers() {
  for (const box of /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll("input[data-layer]"))) {
    const layer = /** @type {SVGElement | null} */ (svg.querySelector(`g[data-layer="${box.dataset.layer}"]`));
    layer?.setAttribute("visibility", box.checked ? "visible" : "hidden");
  }
}
document.querySelectorAll("input[data-layer]").forEach((box) => box.addEventListener("change", switchLayers));

if (work.dataset.stage === "measured") load();
else if (work.dataset.stage === "waiting") wait();
