// From the texts in the page to signals that play: soloed, in the mix, and what was changed.

const SEAM_S = 0.005; // faded at both ends, so that the loop's seam does not click

async function decoded(id, rateHz) {
  const text = document.getElementById(id).textContent;
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const context = new OfflineAudioContext(2, 1, rateHz); // decodes without resampling
  const buffer = await context.decodeAudioData(bytes.buffer);
  return Array.from({ length: buffer.numberOfChannels }, (_, i) => buffer.getChannelData(i));
}

// Sum of gain times channels, as a new buffer with its seam faded.
function summed(parts, rateHz) {
  const [, first] = parts[0];
  const nFrames = first[0].length;
  const buffer = new AudioBuffer({ length: nFrames, numberOfChannels: first.length, sampleRate: rateHz });
  const nSeam = Math.min(Math.round(SEAM_S * rateHz), nFrames >> 1);
  first.forEach((_, channel) => {
    const out = buffer.getChannelData(channel);
    for (let i = 0; i < nFrames; i++) {
      let value = 0;
      for (const [gain, channels] of parts) value += gain * channels[channel][i];
      out[i] = value * Math.min(1, (i + 0.5) / nSeam, (nFrames - i - 0.5) / nSeam);
    }
  });
  return buffer;
}

function peakOf(buffers) {
  let peak = 0;
  for (const buffer of buffers)
    for (let c = 0; c < buffer.numberOfChannels; c++)
      for (const value of buffer.getChannelData(c)) peak = Math.max(peak, Math.abs(value));
  return peak;
}

function difference(buffers, rateHz) {
  const channels = (b) => Array.from({ length: b.numberOfChannels }, (_, c) => b.getChannelData(c));
  const reference = channels(buffers[0]);
  return buffers.map((b) => summed([[1, channels(b)], [-1, reference]], rateHz));
}

// The signals of one comparison by view, one for each take, the reference first. `ceiling` is the
// gain that keeps every one of them below full scale, so that none is told by clipping.
export async function loadSignals(entry) {
  const rate = entry.rate_hz;
  const [reference, ...rest] = await Promise.all(entry.takes.map((t) => decoded(t.audio, rate)));
  const raw = [[reference], ...rest.map((added) => [reference, added])];
  const views = { soloed: entry.takes.map((t, i) => summed(raw[i].map((p) => [t.gains.solo, p]), rate)) };
  if (entry.others) {
    const others = await decoded(entry.others, rate);
    views.mix = entry.takes.map((t, i) =>
      summed([[t.gains.others, others], ...raw[i].map((p) => [t.gains.mix, p])], rate));
  }
  views.difference = difference(views.soloed, rate);
  const ceiling = Math.min(1, 0.99 / peakOf([...views.soloed, ...(views.mix ?? [])]));
  return { views, ceiling, nFrames: reference[0].length };
}
