// UCUM: is a unit code valid? Answered by @lhncbc/ucum-lhc, whose validator also forgives (it takes
// "/min " and offers "/min"), so a code counts only when it comes back as it went in.

import { part } from '../parts.mjs';

export const UCUM = 'http://unitsofmeasure.org';

const { UcumLhcUtils } = (await part('@lhncbc/ucum-lhc')).default;
const ucum = UcumLhcUtils.getInstance();
const judged = new Map();

export function isUcum(code) {
  if (!judged.has(code)) {
    const { status, ucumCode } = ucum.validateUnitString(code);
    judged.set(code, status === 'valid' && ucumCode === code);
  }
  return judged.get(code);
}
