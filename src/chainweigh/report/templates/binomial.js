// How likely guessing alone gets so many right, and how likely a listener with an ear does.

const logFactorials = [0];

function logFactorial(n) {
  for (let i = logFactorials.length; i <= n; i++) logFactorials.push(logFactorials[i - 1] + Math.log(i));
  return logFactorials[n];
}

// Probability of at least nRight of nTrials, each right with the given chance.
export function binomialTail(nRight, nTrials, chance = 0.5) {
  let total = 0;
  for (let k = nTrials; k >= nRight; k--) {
    const ways = logFactorial(nTrials) - logFactorial(k) - logFactorial(nTrials - k);
    total += Math.exp(ways + k * Math.log(chance) + (nTrials - k) * Math.log1p(-chance));
  }
  return Math.min(total, 1);
}

// Fewest right answers that guessing reaches in at most the given share of tests; null: none does.
export function leastRight(nTrials, level = 0.05) {
  for (let k = 0; k <= nTrials; k++) if (binomialTail(k, nTrials) <= level) return k;
  return null;
}

// Share of tests that a listener passes who is right with the given chance.
export function power(nTrials, chance, level = 0.05) {
  const needed = leastRight(nTrials, level);
  return needed === null ? 0 : binomialTail(needed, nTrials, chance);
}
