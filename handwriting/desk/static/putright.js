// @ts-check
/** Putting right what the tool got wrong. Each act is one correction, sent at once; the server answers with the view. */
import { change, say, the } from "./desk.js";
import { draw, rect } from "./drawing.js";

/** @typedef {import("./drawing.js").View} View */
/** @typedef {import("./eye.js").Chosen} Chosen */

const STATES = { written: "written", "crossed-out": "crossed out", added: "added", repeated: "written twice", unreadable: "unreadable" };

/**
 * @param {string} text
 * @param {() => void} act
 */
function button(text, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "button small";
  made.textContent = text;
  made.addEventListener("click", act);
  return made;
}

/** @param {string} text */
const heading = (text) => Object.assign(document.createElement("h3"), { textContent: text });

/**
 * A labelled field.
 * @template {HTMLElement} T
 * @param {string} label
 * @param {T} field
 */
function labelled(label, field) {
  const box = document.createElement("div");
  box.className = "field";
  const name = document.createElement("label");
  field.id = `p-${label.toLowerCase().replace(/[^a-z]+/g, "-")}`;
  name.htmlFor = field.id;
  name.textContent = label;
  box.append(name, field);
  return box;
}

/**
 * @param {[string, string][]} options value and text
 * @param {string} value
 */
function select(options, value) {
  const made = document.createElement("select");
  made.append(...options.map(([v, text]) => new Option(text, v, v === value, v === value)));
  return made;
}

export class PutRight {
  /**
   * @param {string} id
   * @param {import("./eye.js").Eye} eye
   * @param {(view: View) => void} show
   */
  constructor(id, eye, show) {
    this.id = id;
    this.eye = eye;
    this.showView = show;
    /** @type {View | null} */
    this.view = null;
    /** @type {Promise<unknown>} one change after the other */
    this.line = Promise.resolve();
    eye.listeners.push((chosen) => this.offer(chosen));
    the("undo").addEventListener("click", () => this.step("undo"));
    the("redo").addEventListener("click", () => this.step("redo"));
    the("draw-blank").addEventListener("click", () => this.draw("blank"));
    the("draw-scale").addEventListener("click", () => this.draw("scale"));
    the("blank-top").addEventListener("click", () => this.blankTop());
    the("count").addEventListener("click", () => {
      const given = /** @type {HTMLInputElement} */ (the("p-letters")).valueAsNumber;
      if (Number.isInteger(given)) this.correct({ kind: "letters", value: given });
      else say("Type how many letters were counted.");
    });
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape") this.endDrawing();
      if (!(event.ctrlKey || event.metaKey) || /** @type {HTMLElement} */ (event.target).closest("input, textarea")) return;
      const key = event.key.toLowerCase();
      if (key === "z" && !event.shiftKey) this.step("undo", event);
      if (key === "y" || (key === "z" && event.shiftKey)) this.step("redo", event);
    });
  }

  /** @param {View} view */
  show(view) {
    this.view = view;
    /** @type {HTMLButtonElement} */ (the("undo")).disabled = view.undo === 0;
    /** @type {HTMLButtonElement} */ (the("redo")).disabled = view.redo === 0;
    the("made").replaceChildren(
      ...view.made.map((text) => Object.assign(document.createElement("li"), { textContent: text })),
    );
    the("made-none").hidden = view.made.length > 0;
  }

  /**
   * @param {"undo" | "redo"} step
   * @param {Event} [event]
   */
  step(step, event) {
    event?.preventDefault();
    return this.send(`/work/${this.id}/step`, { step });
  }

  /** @param {Record<string, any>} correction */
  correct(correction) {
    const by = /** @type {HTMLInputElement} */ (the("f-who")).value;
    return this.send(`/work/${this.id}/correct`, { correction: JSON.stringify(correction), by });
  }

  /**
   * @param {string} where
   * @param {Record<string, string>} values
   */
  send(where, values) {
    this.line = this.line.then(async () => {
      const view = await change(where, values);
      if (view) this.showView(view);
    });
    return this.line;
  }

  /**
   * Frame pixels of a place on the page.
   * @param {number} x
   * @param {number} y
   * @returns {[number, number]}
   */
  px(x, y) {
    const k = this.view?.per_px ?? 1;
    return [x / k, y / k];
  }

  /** @param {Chosen} chosen */
  offer(chosen) {
    the("chosen").hidden = !chosen;
    if (!chosen || !this.view) return;
    const { line, word, letter } = chosen;
    const open = /** @type {HTMLElement | null} */ (document.activeElement)?.id ?? "";
    the("chosen-name").textContent = letter < 0 ? `Word ${word.number}, line ${line.number}` : `Letter mark ${letter + 1} of word ${word.number}`;
    the("chosen-facts").textContent = this.eye.describe(chosen);
    const at = this.px((word.box[0] + word.box[2]) / 2, (word.box[1] + word.box[3]) / 2);
    const state = select(Object.entries(STATES), word.state);
    state.addEventListener("change", () => this.correct({ kind: "state", at, value: state.value }));
    /** @type {HTMLElement[]} */
    const acts = [heading("The word"), labelled("This word is", state)];
    if (letter >= 1) {
      const x = (Number(word.letters[letter - 1][2]) + Number(word.letters[letter][0])) / 2;
      const place = this.px(x, (word.box[1] + word.box[3]) / 2);
      acts.push(button("Split the word before this letter", () => this.correct({ kind: "split", at: place })));
    }
    if (line.words[line.words.length - 1] !== word) {
      acts.push(button("Join with the next word", () => this.correct({ kind: "join", at })));
    }
    acts.push(button("Not writing", () => this.correct({ kind: "set-aside", at })));
    const minutes = this.view.made.filter((m) => m.startsWith("Minute")).length;
    acts.push(heading("The text"), ...this.textActs(word.number, at));
    acts.push(button(`Minute ${minutes + 1} ends here`, () => this.correct({ kind: "minute", at, value: minutes + 1 })));
    acts.push(
      heading("The line"),
      button("Line of writing up", () => this.nudge(chosen, -1)),
      button("Line of writing down", () => this.nudge(chosen, 1)),
      button("The whole line is not writing", () => this.correct({ kind: "set-line", at })),
    );
    the("put-right").replaceChildren(...acts);
    if (open.startsWith("p-")) document.getElementById(open)?.focus();
    this.handles(chosen);
  }

  /**
   * What needs a word of the text.
   * @param {number} number the word's number on the page
   * @param {[number, number]} at
   */
  textActs(number, at) {
    const text = this.view?.text ?? [];
    const reads = document.createElement("input");
    reads.autocomplete = "off";
    reads.maxLength = 200;
    /** @type {HTMLElement[]} */
    const acts = [labelled("It reads", reads), button("Set what it reads", () => this.correct({ kind: "reads", at, value: reads.value.trim() }))];
    if (!text.length) return acts;
    const which = select(
      text.map((word, i) => [String(i + 1), `${i + 1}: ${word}`]),
      String(this.view?.in_text[number] ?? Math.min(number, text.length)),
    );
    const value = () => Number(which.value);
    acts.push(
      labelled("Word of the text", which),
      button("Last word reached", () => this.correct({ kind: "last-word", value: value() })),
      button("Left out on the page", () => this.correct({ kind: "left-out", value: value() })),
    );
    return acts;
  }

  /**
   * Move the line of writing under the chosen word by a tenth of a millimetre, or a pixel.
   * @param {NonNullable<Chosen>} chosen
   * @param {number} by
   */
  nudge({ line, word }, by) {
    const x = (word.box[0] + word.box[2]) / 2;
    const y = this.eye.baseline(line, x);
    const step = this.view?.unit === "mm" ? 0.1 : 1;
    this.correct({ kind: "baseline", at: this.px(x, y), value: this.px(x, y + by * step) });
  }

  /**
   * Handles on the line of writing, to drag up and down.
   * @param {NonNullable<Chosen>} chosen
   */
  handles({ line }) {
    const pick = this.eye.svg.querySelector("#pick");
    for (const [x, y] of line.baseline) {
      const knob = draw("circle", { cx: x, cy: y, r: line.height / 3, class: "handle" });
      knob.addEventListener("pointerdown", (down) => {
        down.preventDefault();
        down.stopPropagation();
        this.eye.busy.stop = true;
        knob.setPointerCapture(/** @type {PointerEvent} */ (down).pointerId);
        const move = (/** @type {Event} */ e) => knob.setAttribute("cy", String(this.eye.place(/** @type {MouseEvent} */ (e))[1]));
        knob.addEventListener("pointermove", move);
        knob.addEventListener(
          "pointerup",
          (up) => {
            knob.removeEventListener("pointermove", move);
            setTimeout(() => (this.eye.busy.stop = false));
            const to = this.eye.place(/** @type {MouseEvent} */ (up))[1];
            if (Math.abs(to - y) > 1e-3) this.correct({ kind: "baseline", at: this.px(x, y), value: this.px(x, to) });
          },
          { once: true },
        );
      });
      pick?.append(knob);
    }
  }

  blankTop() {
    const view = this.view;
    const first = view?.lines[0];
    if (!view || !first) return;
    const top = Math.min(...view.lines.map((l) => l.box[1]));
    this.correct({ kind: "blank", value: [0, 0, ...this.px(view.width, Math.max(top - first.height / 2, 0.1))] });
  }

  endDrawing() {
    this.cancel?.abort();
    this.eye.busy.stop = false;
    this.eye.paper.classList.remove("drawing");
    for (const name of ["draw-blank", "draw-scale"]) the(name).setAttribute("aria-pressed", "false");
  }

  /**
   * Draw on the page with the pointer, once: a box to blank, or a known length.
   * @param {"blank" | "scale"} kind
   */
  draw(kind) {
    const again = the(`draw-${kind}`).getAttribute("aria-pressed") === "true";
    this.endDrawing();
    if (again) return;
    const mm = /** @type {HTMLInputElement} */ (the("p-mm")).valueAsNumber;
    if (kind === "scale" && !(mm > 0)) {
      say("Type how many millimetres the drawn length has on the paper.");
      return;
    }
    this.eye.choose(null, false);
    this.eye.busy.stop = true;
    this.eye.paper.classList.add("drawing");
    the(`draw-${kind}`).setAttribute("aria-pressed", "true");
    the("told").textContent = kind === "blank" ? "Draw a box over the part to blank. Escape leaves it." : "Draw along the known length, from end to end. Escape leaves it.";
    const cancel = new AbortController();
    this.cancel = cancel;
    const more = { signal: cancel.signal };
    const pick = /** @type {SVGElement} */ (this.eye.svg.querySelector("#pick"));
    /** @type {[number, number] | null} */
    let from = null;
    const svg = this.eye.svg;
    svg.addEventListener("pointerdown", (e) => {
      e.preventDefault();
      from = this.eye.place(e);
      svg.setPointerCapture(e.pointerId);
    }, more);
    svg.addEventListener("pointermove", (e) => {
      if (!from) return;
      const [x, y] = this.eye.place(e);
      const shape = kind === "blank" ? rect([Math.min(from[0], x), Math.min(from[1], y), Math.max(from[0], x), Math.max(from[1], y)], { class: "drawn" }) : draw("line", { x1: from[0], y1: from[1], x2: x, y2: y });
      pick.replaceChildren(shape);
    }, more);
    svg.addEventListener("pointerup", (e) => {
      if (!from) return;
      const [x0, y0] = this.px(...from);
      const [x1, y1] = this.px(...this.eye.place(e));
      this.endDrawing();
      pick.replaceChildren();
      if (Math.hypot(x1 - x0, y1 - y0) < 4) return;
      if (kind === "blank") {
        this.correct({ kind, value: [Math.min(x0, x1), Math.min(y0, y1), Math.max(x0, x1), Math.max(y0, y1)] });
      } else {
        this.correct({ kind, value: [x0, y0, x1, y1, mm] });
      }
    }, more);
  }
}
