// Exact fractions of whole numbers. No binary fraction takes part in anything that is compared here.

/** "98.60", 98 or a fraction, as a fraction [over, under] with a positive `under`. */
export function exact(value) {
  if (Array.isArray(value)) return value;
  const [, sign, whole, part = ''] = /^(-?)(\d+)(?:\.(\d+))?$/.exec(String(value)) ?? [];
  if (whole === undefined) throw new Error(`no decimal: ${value}`);
  return [BigInt(sign + whole + part), 10n ** BigInt(part.length)];
}

export const plus = (a, b) => fraction(exact(a)[0] * exact(b)[1] + exact(b)[0] * exact(a)[1], exact(a)[1] * exact(b)[1]);
export const times = (a, b) => fraction(exact(a)[0] * exact(b)[0], exact(a)[1] * exact(b)[1]);
export const over = (a, b) => fraction(exact(a)[0] * exact(b)[1], exact(a)[1] * exact(b)[0]);
export const minus = (a, b) => plus(a, times(b, -1));
export const magnitude = (a) => fraction(exact(a)[0] < 0n ? -exact(a)[0] : exact(a)[0], exact(a)[1]);

/** Under 0, 0 or over 0, as for sorting. */
export function compare(a, b) {
  const [left] = minus(a, b);
  return left < 0n ? -1 : Number(left > 0n);
}

/** Decimal text with so many places. `half` is 'even' or 'up' (away from zero is not needed here). */
export function rounded(value, places, half = 'even') {
  const [a, b] = times(exact(value), exact(`1${'0'.repeat(places)}`));
  let whole = floor(a, b);
  const twice = 2n * (a - whole * b);
  if (twice > b || (twice === b && (half === 'up' || whole % 2n !== 0n))) whole += 1n;
  const sign = whole < 0n ? '-' : '';
  const digits = String(whole < 0n ? -whole : whole).padStart(places + 1, '0');
  return sign + (places ? `${digits.slice(0, -places)}.${digits.slice(-places)}` : digits);
}

export const number = (value) => Number(exact(value)[0]) / Number(exact(value)[1]);

function floor(a, b) {
  const whole = a / b;
  return a % b !== 0n && a < 0n ? whole - 1n : whole;
}

function fraction(a, b) {
  const sign = b < 0n ? -1n : 1n;
  const divisor = gcd(a < 0n ? -a : a, b < 0n ? -b : b) || 1n;
  return [(sign * a) / divisor, (sign * b) / divisor];
}

function gcd(a, b) {
  while (b) [a, b] = [b, a % b];
  return a;
}
