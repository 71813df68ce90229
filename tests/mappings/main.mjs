// All checks of the kind table, one file after the other; exit 1 when one fails.

import { report } from './testing.mjs';

for (const name of ['codes', 'units', 'profiles', 'rows', 'names', 'limits', 'children', 'score', 'practice', 'checks']) {
  const { default: check } = await import(`./check_${name}.mjs`);
  check();
}
process.exitCode = report();
