// People with a keyboard, without script, and two at the same alarm.
import { accessibility } from './look.mjs';
import { check } from './report.mjs';
import { serve, until, visit } from './stand.mjs';

export const withoutScript = async (browser, site) => {
  const context = await browser.newContext({ viewport: { width: 360, height: 800 }, javaScriptEnabled: false });
  const page = await context.newPage();
  await visit(page, `${site.url}/jar/J03`);
  await page.locator('details[name="quick"] > summary', { hasText: 'Note' }).click();
  const form = page.locator('form[action="/entry/note"]');
  await form.locator('[name="text"]').fill('written without script');
  await form.locator('button.main').click();
  check((await page.locator('main').innerText()).includes('written without script'), 'an entry without script is not shown');
  await page.locator('.saved button', { hasText: 'Undo' }).click();
  check((await page.locator('main').innerText()).includes('Taken back'), 'an entry cannot be taken back without script');
  await visit(page, `${site.url}/alarms`);
  await page.locator('#e41 button.main', { hasText: 'Acknowledge' }).click();
  check((await page.locator('#e41').innerText()).includes('demo'), 'an acknowledgment without script is not shown');
  await context.close();
};

/** What the keyboard stands on, with the mark around it. */
const standsOn = (page) => page.evaluate(() => {
  const el = document.activeElement;
  if (!el || el === document.body) return null;
  const style = getComputedStyle(el);
  return { words: `${el.tagName} ${(el.textContent || el.getAttribute('name') || '').trim().slice(0, 24)}`, marked: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2 };
});

/** Goes on with the tabulator until a test holds; every stop must be marked. */
const tabTo = async (page, what, test) => {
  for (let i = 0; i < 250; i += 1) {
    await page.keyboard.press('Tab');
    const at = await standsOn(page);
    if (!at) continue;
    check(at.marked, `no mark where the keyboard is: ${at.words}`);
    if (await page.evaluate(test)) return;
  }
  throw new Error(`the keyboard does not reach ${what}`);
};

/** An entry and an acknowledgment with the keyboard and nothing else. */
export const keyboard = async (browser, site) => {
  const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
  await visit(page, site.url);
  await page.keyboard.press('Tab');
  check(await page.evaluate(() => document.activeElement.matches('.skip')), 'the first stop of the keyboard is not the way past the bar');
  await page.keyboard.press('Enter');
  check(await page.evaluate(() => document.activeElement.id === 'main' || location.hash === '#main'), 'the way past the bar leads nowhere');
  await tabTo(page, 'a jar', () => document.activeElement.matches('a.cell[href="/jar/J05"]'));
  await page.keyboard.press('Enter');
  await page.waitForURL('**/jar/J05');
  await page.waitForLoadState('load');
  await tabTo(page, 'the entry', () => document.activeElement.matches('details[name="quick"] > summary') && document.activeElement.textContent === 'Note');
  await page.keyboard.press('Space');
  await tabTo(page, 'the text', () => document.activeElement.matches('form[action="/entry/note"] [name="text"]'));
  await page.keyboard.type('written with the keyboard');
  await tabTo(page, 'the button', () => document.activeElement.matches('form[action="/entry/note"] button.main'));
  await page.keyboard.press('Enter');
  await page.waitForURL('**/jar/J05?done=*');
  check((await page.locator('main').innerText()).includes('written with the keyboard'), 'an entry with the keyboard is not shown');
  await visit(page, `${site.url}/alarms`);
  await tabTo(page, 'the way to pause', () => document.activeElement.textContent.includes('Pause'));
  await visit(page, `${site.url}/alarms`);
  await tabTo(page, 'the acknowledgment', () => document.activeElement.matches('#e38 button.main'));
  await page.keyboard.press('Enter');
  await until('the acknowledgment is shown', async () => (await page.locator('#e38').innerText()).includes('Acknowledged'));
  await page.close();
};

export const twoAtOnce = async (browser) => {
  const site = await serve('people');
  const contexts = [];
  const newPage = async () => {
    const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
    contexts.push(context);
    return context.newPage();
  };
  const [one, two] = await Promise.all([1, 2].map(async () => {
    const page = await newPage();
    await visit(page, `${site.url}/sign-in`);
    await page.fill('#name', 'kim');
    await page.fill('#password', 'alder leaves on still water');
    await page.click('button.main');
    await page.waitForURL(`${site.url}/`);
    await visit(page, `${site.url}/alarms`);
    return page;
  }));
  const press = (page) => page.locator('#e41 button.main', { hasText: 'Acknowledge' }).click();
  const answers = await Promise.all([one, two].map(async (page) => {
    const [answer] = await Promise.all([page.waitForResponse((r) => r.url().includes('/alarm/41/acknowledge')), press(page)]);
    return answer.status();
  }));
  check(answers.every((status) => status === 303), `two at once: ${answers}`);
  for (const page of [one, two]) await until('both see who knows', async () => (await page.locator('#e41').innerText()).includes('Acknowledged by kim'));
  // A PIN in a third browser, without signing in.
  const page = await newPage();
  await visit(page, `${site.url}/alarms`);
  const form = page.locator('#e38 form[action$="/acknowledge"]');
  await form.locator('select').selectOption('kim');
  await form.locator('[name="pin"]').fill('482913');
  await form.locator('button').click();
  await until('the PIN is good for an acknowledgment', async () => (await page.locator('#e38').innerText()).includes('Acknowledged by kim'));
  for (const context of contexts) await context.close();
  await accessibility(browser, site, 'people', [['jar', '/jar/J03'], ['alarms', '/alarms'], ['load', '/load'], ['sign-in', '/sign-in']]);
  await site.stop();
};
