// Random order from the browser's cryptographic source, without bias.

export function randomBelow(n) {
  const limit = Math.floor(2 ** 32 / n) * n;
  const draw = new Uint32Array(1);
  do crypto.getRandomValues(draw); while (draw[0] >= limit);
  return draw[0] % n;
}

export function shuffled(items) {
  const order = [...items];
  for (let i = order.length - 1; i > 0; i--) {
    const j = randomBelow(i + 1);
    [order[i], order[j]] = [order[j], order[i]];
  }
  return order;
}
