// The interface for programs, asked by schemathesis with what its own description allows and forbids,
// at the daemon as it ships. Its word counts: the description must say what the daemon answers.
import { spawnSync } from 'node:child_process';
import { PIN, station } from './station.mjs';

const site = await station();
const failures = [];
const authorization = `Basic ${Buffer.from(`kim:${PIN}`).toString('base64')}`;
// The monitor ends a connection that says nothing for a while; that is asked again.
const ask = async (url, options) => {
  for (let tries = 0; ; tries += 1) {
    try { return await fetch(url, options); } catch (error) { if (tries > 4) throw error; }
  }
};
const entry = (id, act) => ask(`${site.url}/api/v1/entries`, { method: 'POST', headers: { 'content-type': 'application/json', authorization }, body: JSON.stringify({ id, happened_at: new Date().toISOString(), who: 'kim', act }) });
for (const [id, act] of [
  ['take-00001', { kind: 'take', take: 'T1', species: 'walleye', water: 'Alder Lake', fertilized_at: new Date(Date.now() - 43200000).toISOString(), females: 12, males: 30 }],
  ['lot-000001', { kind: 'lot', lot: 'T1', takes: ['T1'] }],
  ['load-00001', { kind: 'load', jar: '01', lot: 'T1', volume_l: 1.5, eggs: 195000 }],
]) {
  const answer = await entry(id, act);
  if (answer.status !== 201) failures.push(`${act.kind}: ${answer.status} ${await answer.text()}`);
}
const asked = spawnSync('schemathesis', ['--config-file', 'schemathesis.toml', 'run', `${site.url}/api/v1/openapi.json`, '--header', `Authorization: ${authorization}`], { stdio: 'inherit' });
if (asked.status !== 0) failures.push(`schemathesis: ${asked.status}`);
// Still whole, and not locked out.
const after = await entry('note-00001', { kind: 'note', text: 'after all of it' });
if (after.status !== 201) failures.push(`an entry afterwards: ${after.status} ${await after.text()}`);
const health = await ask(`${site.url}/health`);
if (health.status !== 200) failures.push(`health afterwards: ${health.status}`);
await site.stop();
for (const failure of failures) console.log(`  no: ${failure}`);
process.exit(failures.length ? 1 : 0);
