// @ts-check
/** Draws a record's marks over the page picture as SVG; everything comes from the view the server made of the record. */

const NS = "http://www.w3.org/2000/svg";

/**
 * @typedef {[number, number, number, number, string, number, number, number | null, string, string]} Letter
 *   left, top, right, bottom, kind, height, foot, distance to the printed line, text, state
 * @typedef {{number: number, box: number[], text: string, state: string, letters: Letter[]}} Word
 * @typedef {{number: number, baseline: number[][], height: number, box: number[], words: Word[]}} Line
 * @typedef {{key: string, name: string, term: string, marks: string[], found?: string, value?: string, interval?: string, n?: number, why?: string}} Measure
 * @typedef {{unit: string, width: number, height: number, found: string, places: number, scale: string, rules: number[][][],
 *   margin: number[][], print: number[][], lines: Line[], measures: {title: string, rows: Measure[]}[],
 *   notes: {meaning: string, effect: string, advice: string}[], per_px: number, text: string[], in_text: Record<string, number>, made: string[], cover: number[][], undo: number, redo: number, kept: string}} View
 */

/**
 * Make an SVG element.
 * @param {string} name
 * @param {Record<string, string | number>} values
 * @returns {SVGElement}
 */
export function draw(name, values) {
  const made = /** @type {SVGElement} */ (document.createElementNS(NS, name));
  for (const [key, value] of Object.entries(values)) made.setAttribute(key, String(value));
  return made;
}

/**
 * @param {ArrayLike<unknown>} box left, top, right, bottom, and whatever a letter has behind them
 * @param {Record<string, string | number>} [more]
 */
export const rect = (box, more = {}) => {
  const [left, top, right, bottom] = [box[0], box[1], box[2], box[3]].map(Number);
  return draw("rect", { x: left, y: top, width: Math.max(right - left, 0), height: Math.max(bottom - top, 0), ...more });
};

/**
 * @param {number[][]} points
 * @param {string} kind
 */
const path = (points, kind) => draw("polyline", { points: points.map((p) => p.join(",")).join(" "), class: kind });

/**
 * Where the line the writing stands on is at x; beyond its ends the end segments go on straight.
 * @param {Line} line
 * @param {number} x
 */
export function baselineAt(line, x) {
  const p = line.baseline;
  if (p.length === 1) return p[0][1];
  let i = 1;
  while (i < p.length - 1 && x > p[i][0]) i += 1;
  const [a, b] = [p[i - 1], p[i]];
  return a[1] + ((b[1] - a[1]) * (x - a[0])) / (b[0] - a[0]);
}

/**
 * @param {Line} line
 * @returns {number[][]} the outline of the small-letter height above the baseline
 */
const band = (line) => [...line.baseline, ...[...line.baseline].reverse().map(([x, y]) => [x, y - line.height])];

/**
 * Draw every layer anew.
 * @param {SVGElement} svg
 * @param {View} view
 */
export function drawLayers(svg, view) {
  svg.setAttribute("viewBox", `0 0 ${view.width} ${view.height}`);
  /** @type {Record<string, SVGElement[]>} */
  const layers = { band: [], print: [], rule: [], baseline: [], word: [], letter: [] };
  layers.print = view.print.map((box) => rect(box, { class: "print" }));
  layers.rule = view.rules.map((ends) => path(ends, "rule"));
  if (view.margin.length) layers.rule.push(path(view.margin, "margin"));
  for (const line of view.lines) {
    layers.band.push(draw("polygon", { points: band(line).map((p) => p.join(",")).join(" "), class: "band" }));
    layers.baseline.push(path(line.baseline, "baseline"));
    for (const word of line.words) {
      layers.word.push(rect(word.box, { class: "word", "data-word": word.number, "data-state": word.state }));
      word.letters.forEach((letter, i) =>
        layers.letter.push(rect(letter, { class: "letter", "data-word": word.number, "data-letter": i })),
      );
    }
  }
  svg.replaceChildren();
  for (const [name, items] of Object.entries(layers)) {
    const group = draw("g", { "data-layer": name });
    group.append(...items);
    svg.append(group);
  }
  svg.append(draw("g", { id: "lit" }), draw("g", { id: "pick" }));
}

/**
 * The marks of some kinds, as shapes to light up.
 * @param {View} view
 * @param {string[]} kinds
 * @returns {SVGElement[]}
 */
export function marksOf(view, kinds) {
  /** @type {SVGElement[]} */
  const shapes = [];
  const size = view.lines.length ? view.lines[0].height / 5 : 1;
  const wanted = new Set(kinds);
  if (wanted.has("rule")) shapes.push(...view.rules.map((ends) => path(ends, "thread")));
  for (const line of view.lines) {
    if (wanted.has("baseline")) shapes.push(path(line.baseline, "thread"));
    if (wanted.has("band")) shapes.push(draw("polygon", { points: band(line).map((p) => p.join(",")).join(" ") }));
    if (wanted.has("line")) shapes.push(rect(line.box));
    const [first, last] = [line.words[0], line.words[line.words.length - 1]];
    if (first && wanted.has("start")) shapes.push(edge(line, first.box[0]));
    if (last && wanted.has("end")) shapes.push(edge(line, last.box[2]));
    line.words.forEach((word, i) => {
      if (wanted.has("word")) shapes.push(rect(word.box));
      if (wanted.has("word-gap") && i > 0) shapes.push(...gap(line, line.words[i - 1].box[2], word.box[0]));
      word.letters.forEach((letter, j) => {
        if (wanted.has(letter[4])) shapes.push(rect(letter));
        if (wanted.has("foot")) {
          const x = (letter[0] + letter[2]) / 2;
          shapes.push(draw("circle", { cx: x, cy: baselineAt(line, x) - letter[6], r: size }));
        }
        if (wanted.has("letter-gap") && j > 0) shapes.push(...gap(line, word.letters[j - 1][2], letter[0]));
      });
    });
  }
  return shapes;
}

/**
 * @param {Line} line
 * @param {number} x
 */
const edge = (line, x) =>
  path([[x, baselineAt(line, x) - 2 * line.height], [x, baselineAt(line, x) + line.height]], "thread");

/**
 * @param {Line} line
 * @param {number} from
 * @param {number} to
 * @returns {SVGElement[]} the gap as a box of small-letter height, nothing where there is no gap
 */
function gap(line, from, to) {
  if (to <= from) return [];
  const y = baselineAt(line, (from + to) / 2);
  return [rect([from, y - line.height, to, y])];
}
