// Looks at every page as people do and prints what it measured. One browser; two lanes side by side,
// because half of the time is waiting for a network that comes back.
import { accessibility, answerContrast, sizes } from './look.mjs';
import { firstDay } from './first_day.mjs';
import { lostAnswers, offline, othersEntries, reconnect, refused, sessionOver } from './network.mjs';
import { onPaper } from './paper.mjs';
import { keyboard, twoAtOnce, withoutScript } from './people.mjs';
import { counted, failures, step } from './report.mjs';
import { launch, serve } from './stand.mjs';
import { walk } from './walk.mjs';
import { quietTraffic, weights } from './weight.mjs';

const browser = await launch();
const [well, troubled] = await Promise.all(['well', 'troubled'].map((mode) => serve(mode)));

const looking = async () => {
  for (const [mode, site] of [['well', well], ['troubled', troubled]]) {
    await step(`${mode}: nothing too wide, nothing too small to touch, every width, both themes`, () => sizes(browser, site, mode, true));
    await step(`${mode}: axe finds nothing serious or critical`, () => accessibility(browser, site, mode));
    await step(`${mode}: contrast of the answer lines`, () => answerContrast(browser, site, mode));
  }
  await step('weight of the views', () => weights(browser, troubled));
  await step('on paper', () => onPaper(browser, troubled));
};
const waiting = async () => {
  await step('quiet traffic', () => quietTraffic(browser, well));
  await step('sleep and restart', () => reconnect(browser));
  await step('without network', () => offline(browser));
  await step('lost answers', () => lostAnswers(browser));
  await step('refused entries', () => refused(browser));
  await step('entries of another person', () => othersEntries(browser));
  await step('a session that is over', () => sessionOver(browser));
  await step('eight jars on the first day', () => firstDay(browser));
  await step('two browsers at once', () => twoAtOnce(browser));
  await step('without script: sizes', () => sizes(browser, troubled, 'troubled', false));
};
await Promise.all([looking(), waiting()]);
// These change what the invented station shows.
await step('ten tasks, no more than four taps each', () => walk(browser));
await step('keyboard only', () => keyboard(browser, troubled));
await step('without script: entries', () => withoutScript(browser, troubled));
await Promise.all([well.stop(), troubled.stop()]);
await browser.close();
console.log(`${counted()} checks, ${failures.length} failed`);
process.exit(failures.length ? 1 : 0);
