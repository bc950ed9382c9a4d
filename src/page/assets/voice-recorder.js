// Hands what the microphone hears to the page, as it comes.
registerProcessor("voice-recorder", class extends AudioWorkletProcessor {
  process([heard]) {
    if (heard[0]) this.port.postMessage(heard[0].slice());
    return true;
  }
});
