// The camera's picture beneath the stick figure, where it is allowed. While the screen is visible, one picture after the other is
// requested, each with the figure of the same moment. When none comes, none is shown: an old picture must not pass for a live one.
import { element } from "/assets/figure.js";

const HEADER = "cagehand-figure";
/** How long a response may take, and how long to wait after a failure, milliseconds. */
const WITHIN = 3000, AGAIN = 500;

const addressOf = (blob) => new Promise((done, fail) => {
  const reader = new FileReader();
  reader.onload = () => done(reader.result);
  reader.onerror = () => fail(reader.error);
  reader.readAsDataURL(blob);
});

async function next() {
  const answer = await fetch("/picture", { redirect: "error", signal: AbortSignal.timeout(WITHIN) });
  const figure = answer.headers.get(HEADER);
  return answer.status === 200 && figure ? { figure: JSON.parse(figure), address: await addressOf(await answer.blob()) } : null;
}

/** Puts pictures into a layer. `shown` is handed each one's figure, and null where there is no picture any more. */
export class Pictures {
  #layer; #shown; #allowed = false; #follows = false;

  constructor(layer, shown) {
    this.#layer = layer;
    this.#shown = shown;
    document.addEventListener("visibilitychange", () => this.#follow());
  }

  allow(allowed) {
    this.#allowed = allowed;
    if (allowed) this.#follow();
    else this.#drop();
  }

  get #wanted() { return this.#allowed && !document.hidden; }

  async #follow() {
    if (this.#follows) return;
    this.#follows = true;
    while (this.#wanted) {
      const picture = await next().catch(() => null);
      if (picture && this.#wanted) await this.#put(picture);
      else {
        this.#drop();
        await new Promise((done) => setTimeout(done, AGAIN));
      }
    }
    this.#follows = false;
    this.#drop();
  }

  // The previous picture stays until this one has loaded, so that nothing flickers.
  async #put({ address, figure }) {
    const { width, height } = figure;
    const image = element("image", { href: address, width, height, preserveAspectRatio: "none" });
    this.#layer.prepend(image);
    await new Promise((done) => {
      for (const end of ["load", "error"]) image.addEventListener(end, done, { once: true });
      // A picture that was removed meanwhile may never fire its event.
      setTimeout(done, WITHIN);
    });
    if (!image.parentNode) return;
    while (this.#layer.lastChild !== image) this.#layer.lastChild.remove();
    this.#shown(figure);
  }

  #drop() {
    if (!this.#layer.firstChild) return;
    this.#layer.replaceChildren();
    this.#shown(null);
  }
}
