// A coach's own words: recorded here or taken from a file, heard, then used.
const list = document.getElementById("voice");
const words = JSON.parse(list.dataset.words);
const say = (key) => words[`voice.${key}`] ?? key;
// No cue has room for more; silence at the ends is cut off later.
const MOST_MS = 3000;
// What was recorded or chosen, by cue: a file that can be sent.
const takes = new Map();
let recording = null;
let player = null;

const part = (item, css) => item.querySelector(css);
const tell = (item, text) => { part(item, ".state").textContent = text; };

// One channel of 16-bit samples, as a WAV file.
function wav(samples, rate) {
  const view = new DataView(new ArrayBuffer(44 + 2 * samples.length));
  const text = (at, letters) => [...letters].forEach((letter, i) => view.setUint8(at + i, letter.charCodeAt(0)));
  text(0, "RIFF"); view.setUint32(4, 36 + 2 * samples.length, true); text(8, "WAVEfmt ");
  view.setUint32(16, 16, true); view.setUint16(20, 1, true); view.setUint16(22, 1, true);
  view.setUint32(24, rate, true); view.setUint32(28, 2 * rate, true); view.setUint16(32, 2, true); view.setUint16(34, 16, true);
  text(36, "data"); view.setUint32(40, 2 * samples.length, true);
  samples.forEach((sample, i) => view.setInt16(44 + 2 * i, Math.round(Math.max(-1, Math.min(1, sample)) * 32767), true));
  return new Blob([view], { type: "audio/wav" });
}

function offer(item, file) {
  takes.set(item, file);
  part(item, ".try").disabled = false;
  part(item, ".use").disabled = false;
}

function showRecording(item, on) {
  const button = part(item, ".record");
  button.setAttribute("aria-pressed", String(on));
  part(button, ".says").textContent = say(on ? "stop" : "record");
  item.classList.toggle("recording", on);
}

async function start(item) {
  stopPlaying();
  // Set before anything waits, so that a second touch begins no second recording.
  recording = { item, parts: [] };
  const own = recording;
  try {
    own.stream = await navigator.mediaDevices.getUserMedia({ audio: { channelCount: 1, echoCancellation: false, autoGainControl: false } });
    own.context = new AudioContext();
    await own.context.audioWorklet.addModule("/assets/voice-recorder.js");
    const recorder = new AudioWorkletNode(own.context, "voice-recorder");
    recorder.port.onmessage = (event) => own.parts.push(event.data);
    own.context.createMediaStreamSource(own.stream).connect(recorder);
    // Nothing is heard of it; without a way out some browsers do not run it.
    recorder.connect(own.context.destination);
    await own.context.resume();
    own.timer = setTimeout(stop, MOST_MS);
    showRecording(item, true);
    tell(item, say("recording"));
  } catch {
    recording = null;
    release(own);
    tell(item, say("refused"));
  }
}

function release({ stream, context, timer }) {
  clearTimeout(timer);
  stream?.getTracks().forEach((track) => track.stop());
  context?.close();
}

function stop() {
  // Still being opened: there is nothing to stop yet.
  if (!recording?.timer) return;
  const { item, parts, context } = recording;
  const rate = context.sampleRate;
  release(recording);
  recording = null;
  showRecording(item, false);
  const samples = new Float32Array(parts.reduce((sum, some) => sum + some.length, 0));
  parts.reduce((at, some) => { samples.set(some, at); return at + some.length; }, 0);
  if (samples.length === 0) return tell(item, say("refused"));
  offer(item, wav(samples, rate));
  tell(item, say("recorded"));
}

function stopPlaying() {
  player?.pause?.();
  player?.stop?.();
  player = null;
}

// What was recorded is heard as it is: levels and silence are seen to where it is used.
async function hearTake(item) {
  stopPlaying();
  const context = new AudioContext();
  try {
    const source = context.createBufferSource();
    source.buffer = await context.decodeAudioData(await takes.get(item).arrayBuffer());
    source.connect(context.destination);
    source.onended = () => context.close();
    source.start();
    player = source;
  } catch {
    context.close();
    tell(item, say("unheard"));
  }
}

async function use(item) {
  const file = takes.get(item);
  const shown = encodeURIComponent(part(item, "input[name=words]").value);
  tell(item, say("sending"));
  try {
    const kind = file.type || (/\.flac$/i.test(file.name) ? "audio/flac" : "audio/wav");
    const answer = await fetch(`/cues/${item.dataset.cue}?words=${shown}`, {
      method: "POST", headers: { "content-type": kind, "cagehand-token": list.dataset.token }, body: file,
    });
    if (!answer.ok) return tell(item, (await answer.text()).trim());
    history.replaceState(null, "", `#${item.id}`);
    location.reload();
  } catch {
    tell(item, say("unsent"));
  }
}

list.addEventListener("click", (event) => {
  const button = event.target.closest("button, a.hear");
  const item = button?.closest("[data-cue]");
  if (!item) return;
  if (button.matches(".hear")) {
    event.preventDefault();
    stopPlaying();
    player = new Audio(button.href);
    player.play().catch(() => location.assign(button.href));
  } else if (button.matches(".record")) {
    if (!recording) start(item);
    else if (recording.item === item) stop();
  } else if (button.matches(".try")) hearTake(item);
  else if (button.matches(".use")) use(item);
});
list.addEventListener("change", (event) => {
  const file = event.target.files?.[0];
  if (file) offer(event.target.closest("[data-cue]"), file);
});

const canRecord = window.isSecureContext && navigator.mediaDevices?.getUserMedia && window.AudioWorkletNode;
for (const take of list.querySelectorAll(".take")) {
  take.hidden = false;
  part(take, ".record").disabled = !canRecord;
}
const hint = document.getElementById("no-microphone");
if (!canRecord && list.querySelector(".take")) {
  hint.textContent = say(window.isSecureContext ? "no_microphone" : "insecure");
  hint.hidden = false;
}
// Back where something was changed.
const changed = location.hash && document.getElementById(location.hash.slice(1));
if (changed) part(changed, ".hear")?.focus();
