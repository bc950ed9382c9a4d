// Clips of a coach: sent one after the other, then followed until each is read.
const place = document.getElementById("clips");
const list = document.getElementById("clip-list");
const none = document.getElementById("clip-none");
const template = document.getElementById("clip-template");
const words = place ? JSON.parse(place.dataset.words) : {};
const say = (key, ...values) => values.reduce((text, value) => text.replace("{}", value), words[`clips.${key}`] ?? key);
const LOOK_EVERY_MS = 1000;

const toSend = [];
let isSending = false;
let looking = null;

function show(clip) {
  let item = list.querySelector(`[data-clip="${clip.id}"]`);
  if (!item) {
    item = template.content.firstElementChild.cloneNode(true);
    item.dataset.clip = clip.id;
    item.querySelector(".name").textContent = clip.name;
    item.querySelector(".whose").textContent = clip.whose;
    for (const unseen of item.querySelectorAll(".unseen")) unseen.textContent = `: ${clip.name}`;
    item.querySelector("form").action = `/clips/${clip.id}/drop`;
    list.prepend(item);
  }
  const state = item.querySelector(".state");
  // A reader of the screen hears what changes, not each second.
  if (state.textContent !== clip.says) state.textContent = clip.says;
  const bar = item.querySelector("progress");
  bar.hidden = clip.is_over;
  bar.setAttribute("aria-label", clip.says);
  if (clip.progress === null) bar.removeAttribute("value");
  else bar.value = clip.progress;
  const open = item.querySelector(".open");
  open.hidden = clip.session === null;
  if (clip.session !== null) open.href = `/sessions/${clip.session}`;
}

function showAll(clips) {
  // The last one comes first: each is put before those that are there.
  for (const clip of [...clips].reverse()) show(clip);
  const ids = new Set(clips.map((clip) => String(clip.id)));
  for (const item of list.querySelectorAll("[data-clip]")) {
    if (!ids.has(item.dataset.clip)) item.remove();
  }
  none.hidden = clips.length > 0;
  const goesOn = clips.some((clip) => !clip.is_over);
  clearTimeout(looking);
  looking = goesOn ? setTimeout(look, LOOK_EVERY_MS) : null;
}

async function look() {
  try {
    const answer = await fetch("/clips/now");
    if (answer.ok) return showAll(await answer.json());
  } catch {
    // The machine is away; it may come back.
  }
  looking = setTimeout(look, 5 * LOOK_EVERY_MS);
}

const value = (id) => document.getElementById(id).value;

// What is chosen counts for the clips that are dropped from then on.
function take(files) {
  const [hitter, slowed, filmed] = ["clip-hitter", "clip-slowed", "clip-filmed"].map(value);
  for (const file of files) {
    const filmedAt = filmed ? new Date(filmed).getTime() : file.lastModified;
    toSend.push({ file, query: new URLSearchParams({ hitter, slowed, filmed_at: filmedAt }) });
  }
  sendNext();
}

function sendNext() {
  if (isSending || toSend.length === 0) return;
  const { file, query } = toSend.shift();
  const told = document.getElementById("clip-sending");
  const bar = document.getElementById("clip-sent");
  const over = (text) => {
    isSending = false;
    bar.hidden = true;
    told.textContent = text;
    sendNext();
  };
  if (file.size > Number(place.dataset.most)) return over(say("too_large", file.name));
  isSending = true;
  bar.hidden = false;
  bar.value = 0;
  told.textContent = say("sending", file.name);
  // fetch tells nothing of how far it is.
  const request = new XMLHttpRequest();
  request.open("POST", `/clips?${query}`);
  request.setRequestHeader("content-type", "application/octet-stream");
  request.setRequestHeader("cagehand-token", place.dataset.token);
  // Not in the address, which logs of others have: it may be somebody's name.
  request.setRequestHeader("cagehand-file", encodeURIComponent(file.name));
  request.upload.onprogress = (event) => { bar.value = event.loaded / Math.max(event.total, 1); };
  request.onload = () => {
    if (request.status !== 200) return over(`${file.name}: ${request.responseText.trim()}`);
    showAll(JSON.parse(request.responseText));
    over(say("came", file.name));
  };
  request.onerror = () => over(say("unsent", file.name));
  request.send(file);
}

if (place) {
  const drop = document.getElementById("clip-drop");
  const input = document.getElementById("clip-file");
  input.addEventListener("change", () => { take(input.files); input.value = ""; });
  drop.addEventListener("dragover", (event) => { event.preventDefault(); drop.classList.add("over"); });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    take(event.dataTransfer.files);
  });
  // A clip beside the box would replace the page.
  addEventListener("dragover", (event) => event.preventDefault());
  addEventListener("drop", (event) => event.preventDefault());
  addEventListener("beforeunload", (event) => { if (isSending || toSend.length > 0) event.preventDefault(); });
}
look();
