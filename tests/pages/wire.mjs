// A wire between browser and monitor that can be cut, or lose answers on the way back.
import { connect, createServer } from 'node:net';
import { freePort } from './stand.mjs';

/** `loseAnswersTo('POST')` lets such requests through and cuts the wire before their answer comes back. */
export const wire = async (target) => {
  let cut = false, loses = null, lost = 0;
  const open = new Set();
  const server = createServer((near) => {
    if (cut) { near.destroy(); return; }
    const far = connect(target, '127.0.0.1');
    open.add(near); open.add(far);
    let losing = false;
    near.on('data', (bytes) => { if (loses && bytes.toString('latin1').startsWith(loses)) losing = true; far.write(bytes); });
    far.on('data', (bytes) => {
      if (losing) { lost += 1; near.destroy(); far.destroy(); return; }
      near.write(bytes);
    });
    for (const [one, other] of [[near, far], [far, near]]) {
      one.on('error', () => {});
      one.on('close', () => { open.delete(one); other.destroy(); });
    }
  });
  const port = await freePort();
  await new Promise((done) => server.listen(port, '127.0.0.1', done));
  return {
    url: `http://127.0.0.1:${port}`,
    cut: (yes) => { cut = yes; if (yes) for (const socket of open) socket.destroy(); },
    loseAnswersTo: (method) => { loses = method; },
    lost: () => lost,
    stop: () => { cut = true; for (const socket of open) socket.destroy(); return new Promise((done) => server.close(done)); },
  };
};
