// Converts amounts between UCUM units. `node ucum.mjs JOB ANSWERS`; the job is a list of [value, from, to].
// An answer is the converted value, or null where the conversion is refused.

import fs from 'node:fs';
import ucum from '@lhncbc/ucum-lhc';

const [, , jobFile, answersFile] = process.argv;
const utils = ucum.UcumLhcUtils.getInstance();
const answers = JSON.parse(fs.readFileSync(jobFile, 'utf8')).map(([value, from, to]) => {
  const found = utils.convertUnitTo(from, value, to);
  return found.status === 'succeeded' ? found.toVal : null;
});
fs.writeFileSync(answersFile, JSON.stringify(answers));
