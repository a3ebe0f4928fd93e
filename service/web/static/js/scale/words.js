// Scales with as many digits as their uncertainty bears.

const MOST_DIGITS = 5;

/** µm per pixel with one standard uncertainty, which is also said as a share. */
export function precise(value, sd) {
  return `${withSpread(value, sd)} µm per pixel (${share(sd / value)} one standard uncertainty)`;
}

export function withSpread(value, sd) {
  const least = 10 ** -MOST_DIGITS;
  if (sd < least) return `${value.toFixed(MOST_DIGITS)} ± less than ${least.toFixed(MOST_DIGITS)}`;
  const digits = Math.max(2, Math.min(MOST_DIGITS, 1 - Math.floor(Math.log10(sd))));
  return `${value.toFixed(digits)} ± ${sd.toFixed(digits)}`;
}

const share = (part) => (part < 1e-4 ? "below 0.01 %," : `${(100 * part).toPrecision(2)} %,`);
