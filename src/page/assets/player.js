// Plays a rep back as a stick figure, alone, beside another one, or laid over it. All times are seconds from plant.
import { openFilm } from "/assets/film.js";
import { draw, drawBat, element, head, runs } from "/assets/figure.js";
import { aboveView, axisOf, drawAxis, drawPitchLine, pitchLineWords } from "/assets/overlays.js";

const at = (id) => document.getElementById(id);
const player = at("player");
if (player) start();

async function start() {
  const words = JSON.parse(player.dataset.words);
  const sources = [player.dataset.rep, player.dataset.with].filter(Boolean);
  const reps = await Promise.all(sources.map(async (source) => {
    const answer = await fetch(source);
    return answer.ok ? answer.json() : null;
  }));
  const [own, other] = reps;
  if (!own) return;
  // The rep before, faintly behind, while nothing else is compared.
  const ghost = !other && player.dataset.ghost ? await fetch(player.dataset.ghost).then((answer) => (answer.ok ? answer.json() : null), () => null) : null;
  const state = { time: own.times[0], playing: false, layout: "side", last: 0, film: true };
  const open = (address, rep) => (address && rep ? openFilm(address, rep, loseFilm).catch(() => null) : null);
  const films = new Map([[own, await open(player.dataset.film, own)], [other, await open(player.dataset.withFilm, other)]]);
  let scenes = [];
  const label = (rep) => player.dataset.label ?? `${words.rep ?? "rep"} ${rep.number}`;
  const both = [own, other].filter(Boolean);
  const views = new Map(both.filter((rep) => rep.turn.some(Boolean)).map((rep) => [rep, aboveView(rep, label(rep), words, at("above"))]));

  // The transform that lays one rep over the other: same size, same ground, pitcher on the same side.
  const placing = (rep) => {
    if (rep === own || !own.ground || !rep.ground) return null;
    const size = own.scale_px / rep.scale_px;
    const turn = own.forward * rep.forward;
    return `translate(${own.ground[0]} ${own.ground[1]}) scale(${size * turn} ${size}) translate(${-rep.ground[0]} ${-rep.ground[1]})`;
  };

  function scene(svg, rep, className, transform) {
    const layer = element("g", { class: className, ...(transform ? { transform } : {}) }, svg);
    if (className === "own") drawGround(layer, rep);
    drawPitchLine(layer, rep);
    const feet = element("g", { class: "feet" }, layer);
    for (const [x, y] of rep.feet) element("circle", { cx: x, cy: y, r: 6 }, feet);
    const path = (kind, places) => {
      const line = places.filter(Boolean).map(([x, y]) => `${x},${y}`).join(" ");
      element("polyline", { class: kind, points: line }, layer);
    };
    path("head-path", rep.frames.map((points) => points && head(points)));
    path("mass-path", rep.mass);
    for (const run of runs(tipsOfSwing(rep))) path("tip-path", run);
    const figure = element("g", { class: "sticks" }, layer);
    const bat = element("g", { class: "bat" }, layer);
    const mass = element("circle", { class: "mass", r: 9, cx: -99, cy: -99 }, layer);
    const axis = element("g", { class: "axis" }, layer);
    return { rep, figure, bat, axis, mass };
  }

  // A level line under the feet as they stand at foot down.
  function drawGround(layer, rep) {
    if (!rep.ground) return;
    const y = Math.max(rep.ground[1], ...rep.feet.map((point) => point[1]));
    const fall = rep.width * Math.tan((rep.roll_deg * Math.PI) / 180);
    element("line", { class: "ground", x1: rep.ground[0] - rep.width, y1: y - fall, x2: rep.ground[0] + rep.width, y2: y + fall }, layer);
  }

  // Foot down and contact as stills; each leads to its moment in the replay.
  function drawMoments() {
    for (const name of ["plant", "contact"]) {
      const time = own.events[name];
      if (time === undefined) continue;
      const place = frameAt(own, time);
      const button = document.createElement("button");
      button.type = "button";
      button.className = "quiet moment";
      const svg = element("svg", { viewBox: box(own), "aria-hidden": "true", class: "stick" });
      button.append(svg, words[`event.${name}`] ?? name);
      drawGround(svg, own);
      draw(element("g", { class: "sticks" }, svg), own.frames[place]);
      drawBat(element("g", { class: "bat" }, svg), own.bat[place]);
      drawAxis(element("g", { class: "axis" }, svg), own, own.frames[place]);
      button.addEventListener("click", () => { pause(); state.time = time; show(); });
      at("moments")?.append(button);
    }
  }

  // Where the bat's tip went from the stride on; what it does while the hitter waits would hide that.
  function tipsOfSwing(rep) {
    const from = rep.events.lift_off ?? rep.events.gather ?? rep.events.plant ?? -Infinity;
    const to = rep.events.finish ?? Infinity;
    return rep.bat.map((ends, place) => (ends && rep.times[place] >= from && rep.times[place] <= to ? ends[1] : null));
  }

  function stageOf(rep, label) {
    const svg = element("svg", { viewBox: box(rep), role: "img", "aria-label": label, preserveAspectRatio: "xMidYMid meet" }, at("stage"));
    svg.classList.add("stick");
    const film = state.film && films.get(rep);
    svg.classList.toggle("pictured", Boolean(film));
    if (film) svg.append(film.layer);
    return svg;
  }

  // The part of the picture that the hitter and the bat fill over the whole rep.
  function box(rep) {
    const all = [...rep.frames.filter(Boolean).flat(), ...rep.bat.filter(Boolean).flat()].filter(Boolean);
    if (!all.length) return `0 0 ${rep.width} ${rep.height}`;
    const xs = all.map((p) => p[0]), ys = all.map((p) => p[1]);
    const pad = 0.12 * (Math.max(...ys) - Math.min(...ys));
    const [x, y] = [Math.min(...xs) - pad, Math.min(...ys) - pad];
    return `${x} ${y} ${Math.max(...xs) + pad - x} ${Math.max(...ys) + pad - y}`;
  }

  function build() {
    at("stage").replaceChildren();
    at("stage").dataset.layout = other ? state.layout : "alone";
    const first = stageOf(own, label(own));
    if (ghost) scenes = [scene(first, ghost, "ghost", placing(ghost)), scene(first, own, "own")];
    else if (!other) scenes = [scene(first, own, "own")];
    else if (state.layout === "over") scenes = [scene(first, other, "other", placing(other)), scene(first, own, "own")];
    else scenes = [scene(first, own, "own"), scene(stageOf(other, label(other)), other, "other")];
    show();
  }

  // The last frame up to that time.
  function frameAt(rep, time) {
    let low = 0, high = rep.times.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (rep.times[middle] <= time + 1e-6) low = middle; else high = middle - 1;
    }
    return low;
  }

  function show() {
    for (const { rep, figure, bat, axis, mass } of scenes) {
      const place = frameAt(rep, state.time);
      draw(figure, rep.frames[place]);
      drawBat(bat, rep.bat[place]);
      drawAxis(axis, rep, rep.frames[place]);
      views.get(rep)?.show(rep.turn[place]);
      const film = films.get(rep);
      if (film?.layer.isConnected) film.show(rep.times[place]);
      const [x, y] = rep.mass[place] ?? [-99, -99];
      mass.setAttribute("cx", x); mass.setAttribute("cy", y);
    }
    const place = frameAt(own, state.time);
    at("scrub").value = place;
    const ms = Math.round(1000 * own.times[place]);
    at("clock").textContent = `${ms > 0 ? "+" : ""}${ms} ms`;
    at("scrub").setAttribute("aria-valuetext", at("clock").textContent);
    player.dataset.frame = place;
    // The form moves an event to the moment that is shown.
    const field = at("at-ms");
    if (field) field.value = (1000 * own.times[place]).toFixed(1);
  }

  function go(place) {
    state.time = own.times[Math.min(Math.max(place, 0), own.times.length - 1)];
    show();
  }
  // A drawing that crowds the picture has a switch, and a key where there is anything to draw.
  function offer(name, there) {
    const [key, button] = [at(`${name}-key`), document.querySelector(`#drawings [data-drawing="${name}"]`)];
    if (key) key.hidden = !there;
    button.hidden = !there;
    button.addEventListener("click", () => {
      const shown = button.getAttribute("aria-pressed") !== "true";
      button.setAttribute("aria-pressed", String(shown));
      player.classList.toggle(`no-${name}`, !shown);
      if (key) key.hidden = !shown;
    });
  }
  const step = (by) => { pause(); go(frameAt(own, state.time) + by); };

  function pause() {
    state.playing = false;
    at("play").textContent = at("play").dataset.play;
  }
  function tick(now) {
    if (!state.playing) return;
    state.time += ((now - state.last) / 1000) * Number(at("speed").value);
    state.last = now;
    if (state.time >= own.times.at(-1)) { go(own.times.length - 1); pause(); return; }
    show();
    requestAnimationFrame(tick);
  }
  function play() {
    if (state.time >= own.times.at(-1) - 1e-6) state.time = own.times[0];
    state.playing = true;
    state.last = performance.now();
    at("play").textContent = at("play").dataset.pause;
    requestAnimationFrame(tick);
  }

  function showFilm(shown) {
    state.film = shown;
    at("film").setAttribute("aria-pressed", String(shown));
    build();
  }
  function loseFilm() {
    if (at("film").hidden) return;
    at("film").hidden = true;
    at("film-lost").hidden = false;
    showFilm(false);
  }
  at("film")?.addEventListener("click", () => showFilm(!state.film));

  at("scrub").max = own.times.length - 1;
  at("scrub").addEventListener("input", () => { pause(); go(Number(at("scrub").value)); });
  at("play").addEventListener("click", () => (state.playing ? pause() : play()));
  at("back").addEventListener("click", () => step(-1));
  at("forward").addEventListener("click", () => step(1));
  document.addEventListener("keydown", (event) => {
    if (event.target.matches("input, select, textarea") || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "ArrowLeft") step(event.shiftKey ? -10 : -1);
    else if (event.key === "ArrowRight") step(event.shiftKey ? 10 : 1);
    else if (event.key === " " && !event.target.matches("button, a")) { event.preventDefault(); at("play").click(); }
  });
  // Dragging on the stage moves through time.
  let grip = null;
  at("stage").addEventListener("pointerdown", (event) => {
    grip = { x: event.clientX, place: frameAt(own, state.time) };
    at("stage").setPointerCapture(event.pointerId);
    pause();
  });
  at("stage").addEventListener("pointermove", (event) => {
    if (!grip) return;
    const share = (event.clientX - grip.x) / at("stage").clientWidth;
    go(grip.place + Math.round(share * own.times.length));
  });
  for (const end of ["pointerup", "pointercancel"]) at("stage").addEventListener(end, () => { grip = null; });

  for (const [name, time] of Object.entries(own.events).sort((a, b) => a[1] - b[1])) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "quiet";
    button.textContent = words[`event.${name}`] ?? name;
    button.addEventListener("click", () => { pause(); state.time = time; show(); });
    at("jumps").append(button);
  }
  for (const button of document.querySelectorAll("#layout button")) {
    button.addEventListener("click", () => {
      state.layout = button.dataset.layout;
      for (const each of document.querySelectorAll("#layout button")) each.setAttribute("aria-pressed", String(each === button));
      build();
    });
  }
  at("bat-key").hidden = !both.some((rep) => rep.bat.length);
  offer("axis", both.some((rep) => rep.frames.some(axisOf)));
  const lines = both.filter((rep) => rep.pitch_line);
  offer("pitch-line", lines.length > 0);
  at("pitch-line-words").textContent = [...new Set(lines.map((rep) => pitchLineWords(rep, words)))].join("; ");
  offer("above", views.size > 0);
  offer("ghost", Boolean(ghost));
  drawMoments();
  state.time = own.events.plant ?? own.times[0];
  build();
}
