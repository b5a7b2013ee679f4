// Pictures of every page in two widths and both themes, for looking at them.
import { mkdirSync } from 'node:fs';
import { PAGES, launch, serve } from './stand.mjs';

const folder = process.env.SHOTS;
const only = process.argv[2]?.split(',');
mkdirSync(folder, { recursive: true });
const browser = await launch();
let pictures = 0;
for (const mode of ['well', 'troubled']) {
  const site = await serve(mode);
  try {
    for (const [name, path] of PAGES) {
      if (only && !only.includes(name)) continue;
      if (mode === 'well' && !['rack', 'alarms', 'today'].includes(name)) continue;
      for (const width of [390, 1280]) {
        for (const theme of ['dark', 'light']) {
          const page = await browser.newPage({ viewport: { width, height: width < 500 ? 844 : 900 }, colorScheme: theme });
          await page.goto(site.url + path);
          await page.screenshot({ path: `${folder}/${name}-${mode}-${width}-${theme}.png`, fullPage: true });
          pictures += 1;
          await page.close();
        }
      }
    }
  } finally { await site.stop(); }
}
await browser.close();
console.log(`${pictures} pictures in ${folder}`);
