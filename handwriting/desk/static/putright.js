// @ts-check
/** Putting right what the tool got wrong. Each act is one correction, sent at once; the server answers with the view. */
import { change, the } from "./desk.js";

/** @typedef {import("./drawing.js").View} View */

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
    the("undo").addEventListener("click", () => this.step("undo"));
    the("redo").addEventListener("click", () => this.step("redo"));
    document.addEventListener("keydown", (event) => {
      if (!(event.ctrlKey || event.metaKey) || /** @type {HTMLElement} */ (event.target).closest("input, textarea")) return;
      const key = event.key.toLowerCase();
      if (key === "z" && !event.shiftKey) this.step("undo", event);
      if (key === "y" || (key === "z" && event.shiftKey)) this.step("redo", event);
    });
  }

  /** @param {View} view */
  show(view) {
    /** @type {HTMLButtonElement} */ (the("undo")).disabled = view.undo === 0;
    /** @type {HTMLButtonElement} */ (the("redo")).disabled = view.redo === 0;
  }

  /**
   * @param {"undo" | "redo"} step
   * @param {Event} [event]
   */
  async step(step, event) {
    event?.preventDefault();
    const view = await change(`/work/${this.id}/step`, { step });
    if (view) this.showView(view);
  }

  /** @param {Record<string, any>} correction */
  async correct(correction) {
    const view = await change(`/work/${this.id}/correct`, { correction: JSON.stringify(correction) });
    if (view) this.showView(view);
  }
}
