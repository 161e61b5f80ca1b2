// The loop's waveform: the reference as an outline behind, the chosen take in front.

function envelope(buffer, nColumns) {
  buffer.envelopes ??= new Map();
  if (buffer.envelopes.has(nColumns)) return buffer.envelopes.get(nColumns);
  const pairs = new Float32Array(2 * nColumns);
  for (let c = 0; c < buffer.numberOfChannels; c++) {
    const samples = buffer.getChannelData(c);
    for (let x = 0; x < nColumns; x++) {
      const end = Math.floor(((x + 1) * samples.length) / nColumns);
      for (let i = Math.floor((x * samples.length) / nColumns); i < end; i++) {
        if (samples[i] < pairs[2 * x]) pairs[2 * x] = samples[i];
        if (samples[i] > pairs[2 * x + 1]) pairs[2 * x + 1] = samples[i];
      }
    }
  }
  buffer.envelopes.set(nColumns, pairs);
  return pairs;
}

function fill(pen, pairs, scale, middle, colour) {
  pen.fillStyle = colour;
  for (let x = 0; 2 * x < pairs.length; x++) {
    const top = middle - pairs[2 * x + 1] * scale;
    pen.fillRect(x, top, 1, Math.max(1, (pairs[2 * x + 1] - pairs[2 * x]) * scale));
  }
}

export function drawWave(canvas, views, view, take, position, moments) {
  const { width, height } = canvas;
  const style = getComputedStyle(canvas);
  const colour = (name) => style.getPropertyValue(name).trim();
  const pen = canvas.getContext("2d");
  const behind = envelope(views[view === "difference" ? "soloed" : view][0], width);
  const front = envelope(views[view][take], width);
  const scale = (0.48 * height) / Math.max(0.001, ...behind.map(Math.abs), ...front.map(Math.abs));
  pen.clearRect(0, 0, width, height);
  fill(pen, behind, scale, height / 2, colour("--accent-soft"));
  fill(pen, front, scale, height / 2, colour("--accent"));
  pen.fillStyle = colour("--over");
  for (const at of moments) if (at >= 0 && at < 1) pen.fillRect(at * width - 1, 0, 3, height);
  pen.fillStyle = colour("--ink");
  if (position > 0) pen.fillRect(position * width, 0, 2, height);
}
