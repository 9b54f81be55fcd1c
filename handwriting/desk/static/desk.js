// @ts-check
/** What every page of the desk shares: asking the server for a change, and saying what came of it. */

/** @returns {string} the token that every change carries */
export const token = () =>
  /** @type {HTMLMetaElement} */ (document.querySelector('meta[name="desk-token"]')).content;

/**
 * Find an element that the page is known to have.
 * @param {string} id
 * @returns {HTMLElement}
 */
export const the = (id) => /** @type {HTMLElement} */ (document.getElementById(id));

/**
 * Say a sentence where screen readers hear it at once; an empty one clears it.
 * @param {string} sentence
 * @param {string} [field] name of the field it is about
 */
export function say(sentence, field = "") {
  document.querySelectorAll("[aria-invalid]").forEach((e) => e.removeAttribute("aria-invalid"));
  the("said").textContent = sentence;
  const about = field && document.getElementById(`f-${field}`);
  if (about) {
    about.closest("details")?.setAttribute("open", "");
    about.setAttribute("aria-invalid", "true");
    about.focus();
  } else if (sentence) {
    the("said").scrollIntoView({ block: "nearest" });
  }
}

/**
 * Ask for a change.
 * @param {string} where
 * @param {FormData | Record<string, string>} values
 * @returns {Promise<any>} the answer, or null when it was refused (and said)
 */
export async function change(where, values) {
  const form = values instanceof FormData ? values : new FormData();
  if (!(values instanceof FormData)) for (const [k, v] of Object.entries(values)) form.set(k, v);
  form.delete("token");
  /** @type {Response} */
  let answer;
  try {
    answer = await fetch(where, {
      method: "POST",
      body: form,
      headers: { "X-Desk-Token": token(), Accept: "application/json" },
    });
  } catch {
    say("The desk does not answer. Start it again with “handwriting desk”; nothing that was saved is lost.");
    return null;
  }
  const body = await answer.json().catch(() => ({ sentence: "This was refused. Load the page again." }));
  if (!answer.ok) {
    say(body.sentence, body.field);
    return null;
  }
  say("");
  return body;
}

document.addEventListener("submit", async (event) => {
  const form = /** @type {HTMLFormElement} */ (event.target);
  const button = /** @type {HTMLElement | null} */ (/** @type {SubmitEvent} */ (event).submitter);
  const sure = button?.dataset.sure;
  if (sure && !window.confirm(sure)) {
    event.preventDefault();
    return;
  }
  if (form.hasAttribute("data-quiet")) {
    event.preventDefault();
    const body = await change(form.getAttribute("action") ?? "", new FormData(form));
    if (body) window.location.assign(body.where);
  }
});
