// The screen in the cage: shows the newest live state.
import { draw, element } from "/assets/figure.js";
import { Pictures } from "/assets/picture.js";

const at = (id) => document.getElementById(id);
const words = JSON.parse(at("screen").dataset.words);
const say = (key) => words[key] ?? key;
// A name that the program gave, in the reader's language; any other as it is.
const named = (kind, name) => words[`${kind}.${name}`] ?? name;
const pictureLayer = element("g", {}, at("figure"));
const group = element("g", { class: "sticks" }, at("figure"));
// A sign for each verdict, beside color and words.
const SIGNS = { in: "●", low: "▼", high: "▲" };

const setText = (id, text) => {
  const node = at(id);
  if (node.textContent !== text) node.textContent = text;
};

const plain = (value, unit) => {
  const decimals = unit === "cm" || unit === "in" ? 1 : 0;
  return value.toLocaleString(document.documentElement.lang, {
    minimumFractionDigits: decimals, maximumFractionDigits: decimals,
  });
};

const wordOf = (rep) => {
  if (rep.kind === "take") return say("take");
  if (!rep.cue) return say("quiet");
  if (rep.cue === "in_band") return say("in_band");
  const instruction = rep.words === "what to do" ? words[`cue.do_${rep.cue}`] : undefined;
  return instruction ?? say(`cue.${rep.cue}`);
};

function showLast(rep) {
  const node = at("word");
  if (!rep) {
    setText("word", say("no_rep_yet"));
    setText("number", ""); setText("unit", ""); setText("what", "");
    node.dataset.verdict = "";
    return;
  }
  setText("word", wordOf(rep));
  node.dataset.verdict = rep.cue ? (rep.cue === "in_band" ? "in" : "out") : "";
  const made = rep.value !== null && rep.unit !== "";
  setText("number", made ? plain(rep.value, rep.unit) : "");
  setText("unit", made ? rep.unit : "");
  setText("what", rep.measure ? `${SIGNS[rep.verdict] ?? ""} ${say(`measure.${rep.measure}`)}`.trim() : "");
}

function showTrail(trail) {
  const key = trail.map((rep) => `${rep.number}${rep.verdict}${rep.cue}`).join();
  const list = at("trail");
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...trail.map((rep) => {
    const item = document.createElement("li");
    const verdict = rep.cue ? (rep.verdict ?? (rep.cue === "in_band" ? "in" : "out")) : rep.kind === "take" ? "take" : "quiet";
    item.dataset.verdict = verdict;
    const sign = document.createElement("span");
    sign.setAttribute("aria-hidden", "true");
    sign.className = "sign";
    sign.textContent = SIGNS[verdict] ?? (verdict === "out" ? "■" : verdict === "take" ? "–" : "○");
    const value = document.createElement("span");
    value.textContent = rep.value !== null && rep.unit ? plain(rep.value, rep.unit) : "";
    const spoken = document.createElement("span");
    spoken.className = "unseen";
    spoken.textContent = `${rep.number}: ${wordOf(rep)}`;
    item.append(sign, value, spoken);
    return item;
  }));
}

// The part of the picture around the hitter. It grows at once and shrinks slowly, so that the figure does not jump.
let view = null;
function look(figure) {
  const seen = figure.points.filter(Boolean);
  if (seen.length < 10) return;
  const xs = seen.map((p) => p[0]), ys = seen.map((p) => p[1]);
  const tall = Math.max(...ys) - Math.min(...ys);
  const now = [Math.min(...xs) - 0.5 * tall, Math.min(...ys) - 0.2 * tall, Math.max(...xs) + 0.5 * tall, Math.max(...ys) + 0.1 * tall];
  if (!view) view = now;
  view = view.map((end, i) => {
    const outward = i < 2 ? now[i] < end : now[i] > end;
    return end + (outward ? 1 : 0.02) * (now[i] - end);
  });
  at("figure").setAttribute("viewBox", `${view[0]} ${view[1]} ${view[2] - view[0]} ${view[3] - view[1]}`);
}

// While there is a picture it fills the view, with the figure of the same moment.
let pictured = false;
const pictures = new Pictures(pictureLayer, (figure) => {
  pictured = figure !== null;
  at("figure").classList.toggle("pictured", pictured);
  if (pictured) at("figure").setAttribute("viewBox", `0 0 ${figure.width} ${figure.height}`);
  else view = null;
  draw(group, figure && figure.points);
});

// A hitter is a name, or a number where the name is not to be shown.
const called = (hitter) => typeof hitter === "number" ? say("number").replace("{}", hitter) : named("hitter", hitter);

// What can be asked for with the hands full: shown while nobody hits.
function showAsks(live) {
  const list = at("asks");
  list.hidden = live.asks.length === 0 || !["away", "set"].includes(live.phase) || (live.phase === "set" && !live.paused);
  const lines = live.asks.flatMap((ask) => {
    const what = ask.what === "pause" && live.paused ? "go_on" : ask.what;
    const ways = [ask.sign ? say(`sign.${ask.what}`) : null, ask.key ? say("key").replace("{}", ask.key) : null];
    return `${say(`ask.${what}`)}: ${ways.filter(Boolean).join(" · ")}`;
  });
  const key = lines.join("|");
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...lines.map((line) => {
    const item = document.createElement("li");
    item.textContent = line;
    return item;
  }));
}

// Who hit before a restart; only the cage itself asks for them.
function showAsked(asked) {
  if (!at("asked")) return;
  at("asked").hidden = !asked;
  at("asked-yes").name = typeof asked === "number" ? "number" : "name";
  at("asked-yes").value = asked ?? "";
  setText("asked-words", asked ? say("still").replace("{}", called(asked)) : "");
}

function show(live) {
  setText("who", live.hitter ? called(live.hitter) : say("nobody"));
  showAsked(live.asked);
  setText("plan", live.plan ? named("plan", live.plan) : "");
  setText("next", live.next ? say("next").replace("{}", called(live.next)) : "");
  at("caution").hidden = !(live.phase === "away" || live.paused || live.over || live.resting);
  showAsks(live);
  const ready = live.paused ? "paused" : live.over ? "over" : live.resting ? "resting" : live.ready;
  at("ready").dataset.state = ready;
  at("ready").querySelector(".sign").textContent = ready === "ready" ? "●" : "○";
  setText("ready-words", say(`ready.${ready}`));
  at("filmed").hidden = !live.filmed;
  at("listens").hidden = !live.listens;
  at("office-looks").hidden = !live.office_looks;
  at("pictured").hidden = !live.pictured;
  pictures.allow(live.pictured);
  showLast(live.trail.at(-1) ?? null);
  showTrail(live.trail);
  setText("swings", String(live.swings));
  setText("swings-label", say(live.swings === 1 ? "swing" : "swings"));
  setText("to-go", live.to_go ? say("to_go").replace("{}", live.to_go) : "");
  if (pictured) return;
  const figure = live.figure;
  if (figure) look(figure);
  draw(group, figure ? figure.points : null);
}

let painted = 0;
const source = new EventSource(at("screen").dataset.stream);
// A coach changed a cue's words.
source.addEventListener("words", (event) => {
  Object.assign(words, JSON.parse(event.data));
  at("trail").dataset.key = "";
});
// The office hears nothing of the cage, or nothing yet.
const setSilent = (silent) => { if (at("silent")) at("silent").hidden = !silent; };
// Whom nothing is told of any more stays on no office's screen.
const forget = () => {
  setText("who", say("nobody"));
  for (const id of ["plan", "next", "to-go"]) setText(id, "");
  for (const id of ["filmed", "listens", "office-looks"]) at(id).hidden = true;
  showLast(null); showTrail([]); setText("swings", "0"); setText("swings-label", say("swings"));
  draw(group, null);
};
source.addEventListener("silent", () => { at("away").hidden = true; setSilent(true); forget(); });
source.onmessage = (event) => {
  at("away").hidden = true;
  setSilent(false);
  const live = JSON.parse(event.data);
  const rep = live.trail.at(-1);
  show(live);
  // For measuring how long a rep takes to be seen.
  if (rep && rep.number !== painted) {
    painted = rep.number;
    requestAnimationFrame(() => { at("screen").dataset.paintedAfterMs = String(Date.now() - live.rep_at_ms); at("screen").dataset.painted = String(rep.number); });
  }
};
source.onerror = () => { at("away").hidden = false; if (at("silent")) forget(); setSilent(false); pictures.allow(false); };
