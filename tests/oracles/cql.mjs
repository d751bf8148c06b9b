// Evaluates CQL criteria on Bundles. `node cql.mjs JOB ANSWERS`; the job names for each setting the file of its translated library,
// and holds for each record its Bundle and the ids asked. An answer is true, false, null or {error}.

import fs from 'node:fs';
import cql from 'cql-execution';
import fhir from 'cql-exec-fhir';

const [, , jobFile, answersFile] = process.argv;
const job = JSON.parse(fs.readFileSync(jobFile, 'utf8'));
const codes = new cql.CodeService({});
const libraries = {};
for (const [name, setting] of Object.entries(job.settings)) {
  libraries[name] = new cql.Library(JSON.parse(fs.readFileSync(setting.elm, 'utf8')), new cql.Repository({}));
}
const source = fhir.PatientSource.FHIRv401();

// One context a record, so that what several criteria share is computed once.
async function answersOf(record) {
  const library = libraries[record.setting];
  source.loadBundles([record.bundle]);
  const context = new cql.PatientContext(library, source.currentPatient(), codes, {});
  source.reset();
  const found = [];
  for (const id of record.ask) {
    try {
      found.push((await library.expressions[id].execute(context)) ?? null);
    } catch (fault) {
      found.push({ error: String(fault?.message ?? fault) });
    }
  }
  return found;
}

const answers = [];
for (const record of job.records) answers.push(await answersOf(record));
fs.writeFileSync(answersFile, JSON.stringify(answers));
