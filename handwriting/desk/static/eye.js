// @ts-check
/** Zoom, and what is chosen on the page: a word, or a letter of it; by pointer or by keys. */
import { the } from "./desk.js";
import { baselineAt, rect } from "./drawing.js";

/** @typedef {import("./drawing.js").View} View */
/** @typedef {import("./drawing.js").Word} Word */
/** @typedef {import("./drawing.js").Line} Line */
/** @typedef {{line: Line, word: Word, letter: number} | null} Chosen */

const KINDS = { body: "small letter", ascender: "tall letter", descender: "letter with a tail", other: "mark" };
const STEPS = 1.25;
const MOST = 24;

export class Eye {
  /**
   * @param {HTMLElement} paper the window on the page
   * @param {HTMLElement} plane the page itself, picture and marks
   * @param {SVGElement} svg
   */
  constructor(paper, plane, svg) {
    this.paper = paper;
    this.plane = plane;
    this.svg = svg;
    /** @type {View | null} */
    this.view = null;
    this.zoom = 1;
    /** @type {Chosen} */
    this.chosen = null;
    /** @type {((chosen: Chosen) => void)[]} */
    this.listeners = [];
    /** While something is drawn, pointing chooses nothing. */
    this.busy = { stop: false };
    paper.addEventListener("keydown", (e) => this.key(e));
    paper.addEventListener("pointermove", (e) => this.hover(e));
    paper.addEventListener("pointerleave", () => this.tell());
    svg.addEventListener("click", (e) => this.click(e));
    paper.addEventListener(
      "wheel",
      (e) => {
        if (!e.ctrlKey && !e.metaKey) return;
        e.preventDefault();
        this.zoomTo(this.zoom * (e.deltaY < 0 ? STEPS : 1 / STEPS), e.clientX, e.clientY);
      },
      { passive: false },
    );
    the("in").addEventListener("click", () => this.zoomTo(this.zoom * STEPS));
    the("out").addEventListener("click", () => this.zoomTo(this.zoom / STEPS));
    the("fit").addEventListener("click", () => this.fit());
    new ResizeObserver(() => this.size()).observe(paper);
  }

  /** @param {View} view */
  show(view) {
    this.view = view;
    const kept = this.chosen;
    this.chosen = null;
    if (kept) {
      const x = (kept.word.box[0] + kept.word.box[2]) / 2;
      const y = (kept.word.box[1] + kept.word.box[3]) / 2;
      this.chosen = this.nearest(x, y);
    }
    this.choose(this.chosen, false);
    this.size();
  }

  /** Pixels of the screen to one unit of the page at zoom 1: the page's width fits. */
  get base() {
    return (this.paper.clientWidth - 4) / (this.view?.width ?? 1);
  }

  size() {
    if (!this.view) return;
    this.plane.style.width = `${this.view.width * this.base * this.zoom}px`;
    this.plane.style.height = `${this.view.height * this.base * this.zoom}px`;
  }

  /** Show the width of the writing. */
  fit() {
    this.zoom = 1;
    this.size();
    const first = this.view?.lines[0];
    this.paper.scrollTo(0, first ? Math.max(0, (first.box[1] - 3 * first.height) * this.base) : 0);
  }

  /**
   * @param {number} zoom
   * @param {number} [x] place on the screen that stays where it is
   * @param {number} [y]
   */
  zoomTo(zoom, x, y) {
    const frame = this.paper.getBoundingClientRect();
    const [px, py] = [(x ?? frame.left + frame.width / 2) - frame.left, (y ?? frame.top + frame.height / 2) - frame.top];
    const [ax, ay] = [(this.paper.scrollLeft + px) / this.zoom, (this.paper.scrollTop + py) / this.zoom];
    this.zoom = Math.min(MOST, Math.max(0.25, zoom));
    this.size();
    this.paper.scrollTo(ax * this.zoom - px, ay * this.zoom - py);
  }

  /**
   * Place on the page, in its unit, under a pointer.
   * @param {MouseEvent} event
   * @returns {[number, number]}
   */
  place(event) {
    const frame = this.plane.getBoundingClientRect();
    const unit = (this.view?.width ?? 1) / frame.width;
    return [(event.clientX - frame.left) * unit, (event.clientY - frame.top) * unit];
  }

  /**
   * @param {number} x
   * @param {number} y
   * @returns {{line: Line, word: Word} | null} the smallest word whose box holds the place
   */
  wordAt(x, y) {
    let best = null;
    let least = Infinity;
    for (const line of this.view?.lines ?? []) {
      for (const word of line.words) {
        const [l, t, r, b] = word.box;
        const area = (r - l) * (b - t);
        if (x >= l && x <= r && y >= t && y <= b && area < least) {
          best = { line, word };
          least = area;
        }
      }
    }
    return best;
  }

  /**
   * @param {number} x
   * @param {number} y
   * @returns {Chosen} the word whose middle is nearest to a place
   */
  nearest(x, y) {
    const off = (/** @type {Word} */ { box }) => Math.hypot((box[0] + box[2]) / 2 - x, (box[1] + box[3]) / 2 - y);
    const words = this.words;
    return words.length ? words.reduce((a, b) => (off(b.word) < off(a.word) ? b : a)) : null;
  }

  /**
   * @param {Word} word
   * @param {number} x
   * @param {number} y
   * @returns {number} the letter whose box holds the place, -1 for none
   */
  letterAt(word, x, y) {
    return word.letters.findIndex((m) => x >= m[0] && x <= m[2] && y >= m[1] && y <= m[3]);
  }

  /** @param {PointerEvent} event */
  hover(event) {
    if (this.busy.stop) return;
    const [x, y] = this.place(event);
    const at = this.wordAt(x, y);
    this.tell(at ? { ...at, letter: this.letterAt(at.word, x, y) } : null);
  }

  /** @param {MouseEvent} event */
  click(event) {
    if (this.busy.stop) return;
    const [x, y] = this.place(event);
    const at = this.wordAt(x, y);
    // A word first; pressed again, the letter in it.
    const again = at && this.chosen?.word.number === at.word.number;
    this.choose(at ? { ...at, letter: again ? this.letterAt(at.word, x, y) : -1 } : null, false);
  }

  /**
   * Choose a word or a letter.
   * @param {{line: Line, word: Word, letter: number} | null} chosen
   * @param {boolean} [into] bring it into sight
   */
  choose(chosen, into = true) {
    this.chosen = chosen;
    const pick = this.svg.querySelector("#pick");
    pick?.replaceChildren();
    if (chosen && pick) {
      const box = chosen.letter >= 0 ? chosen.word.letters[chosen.letter] : chosen.word.box;
      pick.append(rect(/** @type {number[]} */ (box), {}));
      if (into) this.reveal(/** @type {number[]} */ (box));
    }
    this.tell();
    for (const listener of this.listeners) listener(chosen);
  }

  /** @param {ArrayLike<number>} box */
  reveal(box) {
    const k = this.base * this.zoom;
    const [l, t, r, b] = [box[0] * k, box[1] * k, box[2] * k, box[3] * k];
    const p = this.paper;
    const room = 40;
    if (l < p.scrollLeft + room || r > p.scrollLeft + p.clientWidth - room) p.scrollLeft = (l + r - p.clientWidth) / 2;
    if (t < p.scrollTop + room || b > p.scrollTop + p.clientHeight - room) p.scrollTop = (t + b - p.clientHeight) / 2;
  }

  /** Zoom so that what is chosen takes a good part of the window. */
  zoomIn() {
    if (!this.chosen) return;
    const { word, letter } = this.chosen;
    const box = letter >= 0 ? word.letters[letter] : word.box;
    const across = this.paper.clientWidth / ((Number(box[2]) - Number(box[0])) * this.base);
    const down = this.paper.clientHeight / ((Number(box[3]) - Number(box[1])) * this.base);
    this.zoom = Math.min(MOST, 0.45 * Math.min(across, down));
    this.size();
    const k = this.base * this.zoom;
    this.paper.scrollTo(
      ((Number(box[0]) + Number(box[2])) * k - this.paper.clientWidth) / 2,
      ((Number(box[1]) + Number(box[3])) * k - this.paper.clientHeight) / 2,
    );
  }

  /**
   * A length in the page's unit, as read.
   * @param {number} value
   */
  length(value) {
    const view = this.view;
    const said = value.toFixed(view?.places ?? 1).replace("-", "−");
    return `${said} ${view?.unit ?? ""}`;
  }

  /** @param {{line: Line, word: Word, letter: number} | null} [at] what to tell about; what is chosen when left out */
  tell(at = this.chosen) {
    the("told").textContent = at ? this.describe(at) : "";
  }

  /**
   * @param {{line: Line, word: Word, letter: number}} at
   * @returns {string}
   */
  describe({ line, word, letter }) {
    const text = word.text ? `, “${word.text}”` : "";
    const state = word.state === "written" ? "" : `, ${word.state}`;
    const head = `Line ${line.number}, word ${word.number}${text}${state}`;
    if (letter < 0) {
      return `${head}: ${word.letters.length} letter marks, ${this.length(word.box[2] - word.box[0])} wide.`;
    }
    const m = word.letters[letter];
    const name = m[8] ? `“${m[8]}”, ${KINDS[/** @type {keyof typeof KINDS} */ (m[4])] ?? m[4]}` : (KINDS[/** @type {keyof typeof KINDS} */ (m[4])] ?? m[4]);
    const foot = `${this.length(Math.abs(m[6]))} ${m[6] < 0 ? "below" : "above"} the line of writing`;
    const rule =
      m[7] === null ? "" : `, ${this.length(Math.abs(m[7]))} ${m[7] < 0 ? "below" : "above"} the printed line`;
    return `${head}, ${name}: ${this.length(m[5])} high, foot ${foot}${rule}.`;
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const act = this.keys(event.key);
    if (act) {
      event.preventDefault();
      act();
    }
  }

  /**
   * @param {string} key
   * @returns {(() => void) | null}
   */
  keys(key) {
    switch (key) {
      case "ArrowRight":
        return () => this.step(1);
      case "ArrowLeft":
        return () => this.step(-1);
      case "ArrowDown":
        return () => this.lineStep(1);
      case "ArrowUp":
        return () => this.lineStep(-1);
      case "Home":
        return () => this.goto(0);
      case "End":
        return () => this.goto(Infinity);
      case "Enter":
        return this.chosen?.word.letters.length ? () => this.choose({ .../** @type {any} */ (this.chosen), letter: 0 }) : null;
      case "Escape":
        return this.chosen ? () => this.choose(this.chosen && this.chosen.letter >= 0 ? { ...this.chosen, letter: -1 } : null) : null;
      case "+":
      case "=":
        return () => this.zoomTo(this.zoom * STEPS);
      case "-":
        return () => this.zoomTo(this.zoom / STEPS);
      case "0":
        return () => this.fit();
      case "z":
      case "Z":
        return () => this.zoomIn();
      default:
        return null;
    }
  }

  /** @returns {{line: Line, word: Word, letter: number}[]} every word of the page in reading order */
  get words() {
    return (this.view?.lines ?? []).flatMap((line) => line.words.map((word) => ({ line, word, letter: -1 })));
  }

  /** @param {number} index */
  goto(index) {
    const all = this.words;
    if (all.length) this.choose(all[Math.min(Math.max(index, 0), all.length - 1)]);
  }

  /** @param {number} by */
  step(by) {
    const now = this.chosen;
    if (!now) {
      this.goto(0);
      return;
    }
    if (now.letter >= 0) {
      const letter = Math.min(Math.max(now.letter + by, 0), now.word.letters.length - 1);
      this.choose({ ...now, letter });
      return;
    }
    this.goto(this.words.findIndex((w) => w.word.number === now.word.number) + by);
  }

  /** @param {number} by */
  lineStep(by) {
    const now = this.chosen;
    const lines = this.view?.lines.filter((l) => l.words.length) ?? [];
    if (!now || !lines.length) {
      this.goto(0);
      return;
    }
    const line = lines[Math.min(Math.max(lines.findIndex((l) => l.number === now.line.number) + by, 0), lines.length - 1)];
    const x = (now.word.box[0] + now.word.box[2]) / 2;
    const off = (/** @type {Word} */ w) => Math.abs((w.box[0] + w.box[2]) / 2 - x);
    const word = line.words.reduce((a, b) => (off(b) < off(a) ? b : a));
    this.choose({ line, word, letter: -1 });
  }

  /**
   * Where the line stands on the screen's page, for handles.
   * @param {Line} line
   * @param {number} x
   */
  baseline(line, x) {
    return baselineAt(line, x);
  }
}
