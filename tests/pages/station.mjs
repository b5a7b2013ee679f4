// A whole station: simulated sensors on a pseudo-terminal, the daemon as it ships, an empty database.
import { execFileSync } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { begin, freePort, until } from './stand.mjs';

const { NIGHTJAR, NIGHTJAR_SIM } = process.env;
export const PASSWORD = 'alder leaves on still water';
export const PIN = '482913';

const hash = (secret, ...options) => execFileSync(NIGHTJAR, ['hash-secret', ...options], { input: `${secret}\n` }).toString().trim();

const config = (folder, port) => `
[station]
name = "Alder Slough shed"
time-zone = "America/Chicago"
altitude-m = 402
water-type = "lake-fed"
country-code = "1"
[rack]
jar-temperature = "J{jar}T"
jar-flow = "J{jar}F"
[[rack.header]]
id = "A"
rows = [["01", "02", "03", "04"], ["05", "06", "07", "08"]]
[[source.serial]]
id = "board"
port = "${folder}/board"
baud = 115200
format = "xdr"
interval = "2s"
[[people]]
id = "kim"
name = "Kim"
email = "kim@station.example"
role = "manager"
password-hash = "${hash(PASSWORD)}"
pin-hash = "${hash(PIN, '--pin')}"
[rota]
hand-over = "mon 08:00"
weeks = [["kim", "kim"]]
owner = "kim"
[notify]
mail-folder = "${folder}/mail"
[web]
listen = "127.0.0.1:${port}"
reading = "open"
[store]
folder = "${folder}/data"
`;

export const station = async () => {
  const folder = mkdtempSync(join(tmpdir(), 'nightjar-station-'));
  const port = await freePort();
  const file = join(folder, 'nightjar.toml');
  writeFileSync(file, config(folder, port));
  const running = [];
  const start = (program, words) => { const child = begin(program, words, { stdio: ['ignore', 'ignore', 'inherit'], env: { ...process.env, NIGHTJAR_LOG: 'error', RUST_LOG: 'error' } }); running.push(child); return child; };
  start(NIGHTJAR_SIM, ['--scenario', 'quiet', '--jars', '8', '--interval', '2', '--start', 'now', '--pty', '--pty-link', `${folder}/board`]);
  await until('the simulated board is there', () => existsSync(`${folder}/board`));
  const daemon = start(NIGHTJAR, ['run', '--config', file]);
  const url = `http://127.0.0.1:${port}`;
  await until('the daemon answers', async () => {
    if (daemon.exitCode !== null) throw new Error(`the daemon ended with ${daemon.exitCode}`);
    return fetch(`${url}/health`).then(() => true, () => false);
  });
  const json = async (path) => (await fetch(`${url}/api/v1${path}`)).json();
  // The board is wired up before the eggs come.
  await until('readings come in', async () => (await json('/sensors')).sensors.every((sensor) => sensor.latest), 30000);
  return {
    url, json,
    stop: async () => {
      for (const child of running.reverse()) { const gone = new Promise((done) => child.once('exit', done)); child.kill('SIGKILL'); await gone; }
      rmSync(folder, { recursive: true, force: true });
    },
  };
};
