// A hitter as sticks. Points come in the order of the pose model's 33 landmarks, in pixels of the picture.

const SVG = "http://www.w3.org/2000/svg";

/** Pairs of landmarks that a stick joins. */
export const STICKS = [
  [11, 12], [23, 24], [11, 23], [12, 24],
  [11, 13], [13, 15], [12, 14], [14, 16],
  [23, 25], [25, 27], [27, 29], [29, 31], [27, 31],
  [24, 26], [26, 28], [28, 30], [30, 32], [28, 32],
];
const EARS = [7, 8];
const NOSE = 0;

export function element(name, attributes, parent) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (parent) parent.append(made);
  return made;
}

/** The head's middle: between the ears, or the nose where an ear is hidden. */
export function head(points) {
  const [a, b] = EARS.map((ear) => points[ear]);
  if (a && b) return [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  return points[NOSE] ?? a ?? b ?? null;
}

/** Draws a figure into a group, in the place of what was in it. */
export function draw(group, points) {
  group.replaceChildren();
  if (!points) return;
  for (const [from, to] of STICKS) {
    const [a, b] = [points[from], points[to]];
    if (a && b) element("line", { x1: a[0], y1: a[1], x2: b[0], y2: b[1] }, group);
  }
  const middle = head(points);
  const [left, right] = [points[11], points[12]];
  if (middle && left && right) {
    const reach = Math.hypot(middle[0] - (left[0] + right[0]) / 2, middle[1] - (left[1] + right[1]) / 2);
    element("circle", { cx: middle[0], cy: middle[1], r: Math.max(6, 0.45 * reach) }, group);
  }
}

/** Draws a bat, knob and tip, into a group, in the place of what was in it. */
export function drawBat(group, ends) {
  group.replaceChildren();
  if (!ends) return;
  const [[x1, y1], [x2, y2]] = ends;
  element("line", { x1, y1, x2, y2 }, group);
}

/** Places without the gaps between them: one list for each stretch that has none. */
export function runs(places) {
  const found = [[]];
  for (const place of places) {
    if (place) found.at(-1).push(place);
    else if (found.at(-1).length) found.push([]);
  }
  return found.filter((run) => run.length > 1);
}
