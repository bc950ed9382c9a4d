// What is drawn about a figure: the body's axis, the pitch's line, and the trunk's turn from above.
import { element, head } from "/assets/figure.js";

/** Where navel and breastbone lie on the way from the hips' middle to the shoulders' middle, as the measure of balance has it. */
const NAVEL = 0.25, BREASTBONE = 0.8;
/** How far the pitch's line is drawn behind the place of contact and before it, trunks. */
const BEHIND = 1.6, BEFORE = 3;

const between = (a, b, share) => [a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])];
const middle = (points, left, right) => (points[left] && points[right] ? between(points[left], points[right], 0.5) : null);

/** Head, breastbone and navel, from the top; null where one is hidden. */
export function axisOf(points) {
  if (!points) return null;
  const [shoulders, hips, top] = [middle(points, 11, 12), middle(points, 23, 24), head(points)];
  if (!shoulders || !hips || !top) return null;
  return [top, between(hips, shoulders, BREASTBONE), between(hips, shoulders, NAVEL)];
}

/** Draws the axis of a body into a group, in the place of what was in it, with the plumb line over the navel. */
export function drawAxis(group, rep, points) {
  group.replaceChildren();
  const axis = axisOf(points);
  if (!axis) return;
  const [top, , [x, y]] = axis;
  const roll = (rep.roll_deg * Math.PI) / 180;
  // Up in the picture of a camera in which a level line falls to the right by its roll.
  const up = [Math.sin(roll), -Math.cos(roll)];
  const rise = (top[0] - x) * up[0] + (top[1] - y) * up[1];
  const dot = 0.07 * rep.scale_px;
  const [low, high] = [-0.4 * rep.scale_px, rise + 0.4 * rep.scale_px];
  const at = (far) => [x + far * up[0], y + far * up[1]];
  const [[x1, y1], [x2, y2]] = [at(low), at(high)];
  element("line", { class: "plumb", x1, y1, x2, y2 }, group);
  element("polyline", { points: axis.map((place) => place.join()).join(" ") }, group);
  for (const [cx, cy] of axis) element("circle", { cx, cy, r: dot }, group);
}

/** Draws the line on which the pitch comes in, with what is near enough to it. */
export function drawPitchLine(layer, rep) {
  const line = rep.pitch_line;
  if (!line) return;
  const [x, y] = line.at;
  const [dx, dy] = line.toward;
  const place = (far, off) => [x + far * dx - off * dy, y + far * dy + off * dx];
  const ends = [-BEHIND * rep.scale_px, BEFORE * rep.scale_px];
  const group = element("g", { class: "pitch-line" }, layer);
  const corners = [[ends[0], -1], [ends[1], -1], [ends[1], 1], [ends[0], 1]].map(([far, side]) => place(far, side * line.half_px));
  element("polygon", { points: corners.map((corner) => corner.join()).join(" ") }, group);
  const [[x1, y1], [x2, y2]] = ends.map((far) => place(far, 0));
  element("line", { x1, y1, x2, y2 }, group);
  element("circle", { cx: x, cy: y, r: Math.max(4, line.half_px) }, group);
}

/** What is said of the pitch's line. */
export function pitchLineWords(rep, words) {
  const down = rep.pitch_line.descent_deg;
  return down === null ? words.pitch_level : words.pitch_down.replace("{}", Math.round(down));
}

/** The trunk's turn seen from above, as a figure of its own; `show` takes the turn of a frame, null where there is none. */
export function aboveView(rep, label, words, parent) {
  const box = document.createElement("figure");
  box.className = "above";
  const svg = element("svg", { viewBox: "-64 -64 128 128", role: "img", "aria-label": `${words.above}, ${label}` }, box);
  const told = document.createElement("figcaption");
  const said = {};
  for (const kind of ["pelvis", "shoulders"]) {
    const line = document.createElement("span");
    line.className = `line-${kind}`;
    line.setAttribute("aria-hidden", "true");
    said[kind] = document.createElement("span");
    const entry = document.createElement("span");
    entry.className = "entry";
    entry.append(line, said[kind]);
    told.append(entry, " ");
  }
  const spreadSaid = document.createElement("span");
  told.append(spreadSaid);
  box.append(told);
  parent.append(box);
  const { forward } = rep;
  // The plate is on the camera's side of the hitter, which is drawn below, or beyond the hitter.
  const near = rep.plate_near ? 1 : -1;
  const text = (x, y, words) => { element("text", { x, y }, svg).textContent = words; };
  element("line", { class: "square", x1: -46, y1: 0, x2: 46, y2: 0 }, svg);
  element("path", { class: "plate", d: `M${-8 * forward} ${36 * near}h${16 * forward}v${12 * near}h${-16 * forward}l${-7 * forward} ${-6 * near}z` }, svg);
  element("path", { class: "to-pitcher", d: `M${46 * forward} 0l${-9 * forward} -6m${9 * forward} 6l${-9 * forward} 6` }, svg);
  text(0, near > 0 ? 59 : -52, words.plate);
  text(34 * forward, -12, words.pitcher);
  const turned = element("g", {}, svg);
  const end = (deg, length) => {
    const rad = (deg * Math.PI) / 180;
    return [forward * length * Math.cos(rad), -near * length * Math.sin(rad)];
  };
  const spread = (deg, off, length) => {
    for (const way of [1, -1]) {
      const [from, to] = [end(deg - off, way * length), end(deg + off, way * length)];
      element("path", { class: "spread", d: `M0 0L${from}L${to}z` }, turned);
    }
  };
  const bar = (kind, deg, length) => {
    const [x2, y2] = end(deg, length);
    element("line", { class: kind, x1: -x2, y1: -y2, x2, y2 }, turned);
    element("circle", { class: kind, cx: x2, cy: y2, r: 4 }, turned);
  };
  const signed = (deg) => `${deg > 0 ? "+" : deg < 0 ? "\u2212" : ""}${Math.abs(Math.round(deg))}\u00b0`;
  return {
    show(turn) {
      turned.replaceChildren();
      if (!turn) {
        for (const kind of ["pelvis", "shoulders"]) said[kind].textContent = words[kind];
        spreadSaid.textContent = words.turn_unseen;
        return;
      }
      spread(turn.pelvis_deg, turn.plus_minus_deg, 26);
      spread(turn.shoulders_deg, turn.plus_minus_deg, 42);
      bar("shoulders", turn.shoulders_deg, 42);
      bar("pelvis", turn.pelvis_deg, 26);
      for (const kind of ["pelvis", "shoulders"]) said[kind].textContent = `${words[kind]} ${signed(turn[`${kind}_deg`])}`;
      spreadSaid.textContent = `\u00b1 ${Math.round(turn.plus_minus_deg)}\u00b0`;
    },
  };
}
