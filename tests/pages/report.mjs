// Counts checks, says what failed, and how long each step took. Steps run side by side; a failure
// belongs to the step it was found in.
import { AsyncLocalStorage } from 'node:async_hooks';

const current = new AsyncLocalStorage();
export const failures = [];
let checks = 0;
export const counted = () => checks;
export const check = (holds, words) => {
  checks += 1;
  if (!holds) { failures.push(words); const at = current.getStore(); if (at) at.failed += 1; console.log(`  no: ${words}`); }
};
// `run "without network|two"` takes only the steps whose names fit.
const wanted = new RegExp(process.argv[2] ?? '');
export const step = async (name, work) => {
  if (!wanted.test(name)) return;
  const begin = Date.now(), at = { failed: 0 };
  await current.run(at, async () => {
    try { await work(); } catch (error) { check(false, `${name}: ${error.message.split('\n').slice(0, 3).join(' ')}`); }
  });
  console.log(`${at.failed === 0 ? 'ok ' : 'NOT'} ${name} (${((Date.now() - begin) / 1000).toFixed(1)} s)`);
};
