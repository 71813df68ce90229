// Counting what holds and what does not.

let passed = 0;
let failed = 0;

/** One check. `what` is only built into a message when it fails. */
export function holds(truth, what) {
  if (truth) {
    passed += 1;
    return true;
  }
  failed += 1;
  console.log(`not so: ${what}`);
  return false;
}

export function same(got, wanted, what) {
  const [a, b] = [JSON.stringify(got), JSON.stringify(wanted)];
  return holds(a === b, `${what}: ${a}, wanted ${b}`);
}

export function report() {
  console.log(`${passed} passed, ${failed} failed`);
  return failed === 0 ? 0 : 1;
}
