// A rep's film beneath its stick figure: shows the loaded picture that is nearest in time, and loads the next ones ahead.
import { element } from "/assets/figure.js";

/** A picture farther than this from the figure's time shows another moment, seconds. */
const NEAR = 0.05;
/** Pictures loaded ahead and behind, at once, and kept at most. */
const AHEAD = 8, BEHIND = 2, AT_ONCE = 4, KEPT = 60;

/** Opens a rep's film; null where there is none. Times are the rep's own; `lost` is called when a picture cannot be loaded. */
export async function openFilm(address, rep, lost) {
  const answer = await fetch(address);
  if (!answer.ok) return null;
  const { times } = await answer.json();
  const layer = element("g", { class: "film" });
  const images = new Map();
  let time = 0, last = 0, loading = 0;

  const nearest = (frames) => {
    let best = null;
    for (const frame of frames) {
      if (best === null || Math.abs(times[frame] - time) < Math.abs(times[best] - time)) best = frame;
    }
    return best;
  };
  const loaded = () => [...images.keys()].filter((frame) => "loaded" in images.get(frame).dataset);

  function load(frame) {
    if (!(frame in times) || images.has(frame) || loading >= AT_ONCE) return;
    const image = element("image", {
      href: `${address}/${frame}.jpg`, width: rep.width, height: rep.height, preserveAspectRatio: "none", visibility: "hidden",
    }, layer);
    images.set(frame, image);
    loading += 1;
    image.addEventListener("load", () => { loading -= 1; image.dataset.loaded = ""; update(); }, { once: true });
    image.addEventListener("error", () => { loading -= 1; images.delete(frame); image.remove(); lost(); }, { once: true });
  }

  function update() {
    const there = loaded();
    const frame = nearest(there);
    const shown = frame !== null && Math.abs(times[frame] - time) <= NEAR ? frame : null;
    for (const [each, image] of images) image.setAttribute("visibility", each === shown ? "visible" : "hidden");
    layer.dataset.shown = shown ?? "";
    const wanted = nearest(times.keys());
    const step = wanted < last ? -1 : 1;
    last = wanted;
    for (let n = 0; n <= AHEAD; n++) load(wanted + n * step);
    for (let n = 1; n <= BEHIND; n++) load(wanted - n * step);
    there.sort((a, b) => Math.abs(b - wanted) - Math.abs(a - wanted));
    for (const far of there.slice(0, Math.max(0, images.size - KEPT))) {
      images.get(far).remove();
      images.delete(far);
    }
  }

  return { layer, show(at) { time = at; update(); } };
}
