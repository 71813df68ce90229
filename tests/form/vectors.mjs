// vectors.mjs - (a) every vector of mappings/vectors, judged by the form: problems and flags as the vector has them.
import {readFileSync, readdirSync} from 'node:fs';
import {join} from 'node:path';
import {jsonRead} from '../../daemon/web/form/decimal.js';
import {judgeSet} from '../../daemon/web/form/judge.js';
import {problemsOf, same} from './support.mjs';

export function vectors(mappings) {
    const root = join(mappings, 'vectors');

    return readdirSync(root).sort().flatMap((folder) => readdirSync(join(root, folder)).sort()
        .map((file) => ({name: `${folder}/${file}`, vector: jsonRead(readFileSync(join(root, folder, file), 'utf8'))})));
}

const shorts = (problems) => [...new Set(problems.map(({pointer, code}) => `${pointer} ${code}`))].sort();

export function checkVectors(table, mappings, count) {
    for (const {name, vector} of vectors(mappings)) {
        const judged = judgeSet(table, vector.sent, {now: Date.parse('2026-11-25T09:00:00Z'), late: 0, skew: 1e15,
            last: (kind) => vector.last?.[kind] ?? null});
        const got = shorts(problemsOf(judged, vector.sent));
        const wanted = shorts(vector.problems ?? []);

        count(`vector ${name}`, same(got, wanted) || `problems ${got} instead of ${wanted}`);
        if (!vector.becomes)
            continue;
        if (vector.flags)
            count(`vector ${name}, flags`, flagsDiffer(vector.flags, judged.readings));
    }
}

function flagsDiffer(wanted, readings) {
    const brief = ({part, interpretation, name}) => ({part, interpretation, name});
    const got = readings.map((reading) => reading.flags.filter((flag) => flag.range).map(brief)); // a name alone is not in them

    return same(got, wanted.map((flags) => flags.map(brief))) || `flags ${JSON.stringify(got)} instead of ${JSON.stringify(wanted)}`;
}
