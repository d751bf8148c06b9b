// Evaluates FHIRPath criteria on Bundles. `node fhirpath.mjs JOB ANSWERS`; the job holds for each setting its calendar and its
// expressions, and for each record its Bundle and the ids asked. An answer is true, false, null (empty) or {error}.

import fs from 'node:fs';
import fhirpath from 'fhirpath';
import r4 from 'fhirpath/fhir-context/r4/index.js';

const [, , jobFile, answersFile] = process.argv;
const job = JSON.parse(fs.readFileSync(jobFile, 'utf8'));
const compiled = new Map();

function expression(setting, id) {
  const key = `${setting}/${id}`;
  if (!compiled.has(key)) compiled.set(key, fhirpath.compile(job.settings[setting].expressions[id], r4.default ?? r4));
  return compiled.get(key);
}

function answer(record, id) {
  try {
    const found = expression(record.setting, id)(record.bundle, { calendar: job.settings[record.setting].calendar });
    if (found.length > 1) return { error: `several answers: ${JSON.stringify(found)}` };
    return found.length ? found[0] : null;
  } catch (fault) {
    return { error: String(fault?.message ?? fault) };
  }
}

const answers = job.records.map((record) => record.ask.map((id) => answer(record, id)));
fs.writeFileSync(answersFile, JSON.stringify(answers));
