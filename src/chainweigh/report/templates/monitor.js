// The way to the loudspeakers: one audio context, one volume, one thing playing at a time.

const START_DB = -20;
const OFF_DB = -60;

let context = null;
let output = null;
let volumeDb = START_DB;
let playing = null;

const gainOf = (db) => (db <= OFF_DB ? 0 : 10 ** (db / 20));

export function audioContext(rateHz) {
  if (context?.sampleRate !== rateHz) {
    context?.close();
    context = new AudioContext({ sampleRate: rateHz });
    output = context.createGain();
    output.gain.value = gainOf(volumeDb);
    output.connect(context.destination);
  }
  context.resume();
  return context;
}

export const monitorInput = () => output;

// Whoever begins to play stops whoever played before.
export function takeOver(owner) {
  if (playing !== owner) pausePlaying();
  playing = owner;
  for (const element of document.querySelectorAll("audio")) element.pause();
}

export function pausePlaying() {
  playing?.pause();
  playing = null;
}

export function bindVolume(sliders) {
  const show = () => {
    for (const slider of sliders) {
      slider.value = volumeDb;
      slider.setAttribute("aria-valuetext", volumeDb <= OFF_DB ? "silent" : `${volumeDb} decibels`);
      slider.nextElementSibling.value = volumeDb <= OFF_DB ? "silent" : `${volumeDb} dB`.replace("-", "−");
    }
  };
  for (const slider of sliders)
    slider.addEventListener("input", () => {
      volumeDb = Number(slider.value);
      output?.gain.setTargetAtTime(gainOf(volumeDb), context.currentTime, 0.02);
      show();
    });
  show();
}
