// Looks at each page once, in every width and both themes: what is too wide, too small to touch,
// what axe-core finds, whether it prints.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { check } from './report.mjs';
import { PAGES, visit } from './stand.mjs';

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
/** 320 is WCAG 2.2, 1.4.10; 640 is a window of 1280 at 200 %. */
const WIDTHS = [320, 360, 390, 640, 768, 1280];
const LEAST_TARGET = 44;
/** Pages that hold every component, or lay them out anew on a wide screen. */
const WIDE = ['rack', 'jar', 'days', 'plan', 'alarms', 'components', 'season', 'sensors', 'load', 'cards'];
/** Pages that look different when all is well. */
const STATES = ['rack', 'jar', 'alarms', 'today', 'load'];
const pagesOf = (mode) => PAGES.filter(([name]) => mode === 'troubled' || STATES.includes(name));

/** What is wrong with the size of a page and of what can be touched. Runs in the page. */
const measure = (least) => {
  const seen = (el) => { const style = getComputedStyle(el); return style.visibility !== 'hidden' && style.display !== 'none' && !el.closest('details:not([open]) > :not(summary)'); };
  const wide = [...document.querySelectorAll('body *')].filter((el) => seen(el) && !el.closest('svg svg, .hidden, .skip, svg.defs') && el.getBoundingClientRect().right > innerWidth + 1).slice(0, 3);
  const small = [...document.querySelectorAll('a[href], button, summary, input:not([type="hidden"]), select, textarea')].filter((el) => {
    if (!seen(el) || el.matches('.skip')) return false;
    // A link inside a sentence is exempt, as in WCAG 2.2, 2.5.8 (inline).
    if (el.matches('p a, li a, td a') && getComputedStyle(el).display === 'inline') return false;
    const touched = el.matches('input[type="radio"], input[type="checkbox"]') ? el.closest('label') ?? el : el;
    const box = touched.getBoundingClientRect();
    return box.width > 0 && (box.height < least - 0.5 || box.width < least - 0.5);
  });
  const name = (el) => `${el.tagName.toLowerCase()}${el.className && el.className.baseVal === undefined ? '.' + String(el.className).split(' ').join('.') : ''} "${(el.textContent || el.value || '').trim().slice(0, 24)}"`;
  return { scroll: document.documentElement.scrollWidth - innerWidth, wide: wide.map(name), small: [...new Set(small.map((el) => { const box = el.getBoundingClientRect(); return `${name(el)} ${box.width.toFixed(0)}×${box.height.toFixed(0)}`; }))].slice(0, 4) };
};
const openAll = (page) => page.evaluate(() => { for (const el of document.querySelectorAll('details:not([name])')) el.open = true; });

const fits = async (page, where) => {
  const found = await page.evaluate(measure, LEAST_TARGET);
  check(found.scroll <= 0, `${where}: ${found.scroll} px too wide, by ${found.wide.join(', ')}`);
  check(found.small.length === 0, `${where}: too small to touch: ${found.small.join('; ')}`);
};

/** Every width in both themes, closed and open; text alone twice as large (WCAG 2.2, 1.4.4). */
export const sizes = async (browser, site, mode, script) => {
  const context = await browser.newContext({ viewport: { width: 1280, height: 900 }, colorScheme: 'dark', javaScriptEnabled: script });
  const page = await context.newPage();
  const errors = [];
  page.on('pageerror', (error) => errors.push(error.message));
  page.on('console', (message) => { if (message.type() === 'error' && !message.text().includes('404')) errors.push(message.text()); });
  for (const [name, path] of pagesOf(mode)) {
    const answer = await visit(page, site.url + path);
    check(answer.status() === (name === 'nowhere' ? 404 : 200), `${mode} ${name}: ${answer.status()}`);
    const where = (words) => `${mode} ${name}${script ? '' : ' without script'} ${words}`;
    for (const width of WIDTHS) {
      await page.setViewportSize({ width, height: 900 });
      await fits(page, where(`at ${width}`));
    }
    await openAll(page);
    for (const theme of ['dark', 'light']) {
      await page.emulateMedia({ colorScheme: theme });
      for (const width of WIDTHS) {
        await page.setViewportSize({ width, height: 900 });
        await fits(page, where(`opened, ${theme}, at ${width}`));
      }
    }
    await page.evaluate(() => { document.documentElement.style.fontSize = '200%'; });
    for (const width of [768, 1280]) {
      await page.setViewportSize({ width, height: 900 });
      await fits(page, where(`with text of 200 % at ${width}`));
    }
    await page.emulateMedia({ colorScheme: 'dark' });
  }
  check(errors.length === 0, `${mode}: ${errors.slice(0, 2).join(' | ')}`);
  await context.close();
};

const serious = async (page, where, rules) => {
  const options = { resultTypes: ['violations'], ...(rules && { runOnly: { type: 'rule', values: rules } }) };
  const result = await page.evaluate((asked) => globalThis.axe.run(document, asked), options);
  check(rules || result.passes.length > 5, `${where}: axe looked at nothing`);
  const bad = result.violations.filter((v) => ['serious', 'critical'].includes(v.impact));
  check(bad.length === 0, `${where}: ${bad.map((v) => `${v.id} (${v.nodes.length}: ${v.nodes[0].target})`).join(', ')}`);
};

/** All rules on a dark phone, the colours again in the light, all rules again where a wide screen differs. */
export const accessibility = async (browser, site, mode, pages = pagesOf(mode)) => {
  const context = await browser.newContext({ viewport: { width: 390, height: 900 }, colorScheme: 'dark', bypassCSP: true });
  const page = await context.newPage();
  for (const [name, path] of pages) {
    await page.setViewportSize({ width: 390, height: 900 });
    await page.emulateMedia({ colorScheme: 'dark' });
    await visit(page, site.url + path);
    await openAll(page);
    await page.evaluate(AXE);
    await serious(page, `${mode} ${name} dark 390`);
    await page.emulateMedia({ colorScheme: 'light' });
    await serious(page, `${mode} ${name} light 390`, ['color-contrast']);
    if (mode === 'troubled' && WIDE.includes(name)) {
      await page.setViewportSize({ width: 1280, height: 900 });
      await serious(page, `${mode} ${name} light 1280`);
    }
  }
  await context.close();
};

/** Contrast of the answer line by the formula of WCAG 2.2, measured on what is drawn. */
export const answerContrast = async (browser, site, mode) => {
  const page = await browser.newPage({ viewport: { width: 390, height: 844 } });
  for (const theme of ['dark', 'light']) {
    await page.emulateMedia({ colorScheme: theme });
    await visit(page, site.url);
    const ratios = await page.evaluate(() => {
      const light = (css) => { const [r, g, b] = css.match(/[\d.]+/g).map((v) => v / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
      const ground = light(getComputedStyle(document.querySelector('.answer')).backgroundColor);
      return [...document.querySelectorAll('.answer h1, .answer p')].map((el) => { const ink = light(getComputedStyle(el).color); return (Math.max(ink, ground) + 0.05) / (Math.min(ink, ground) + 0.05); });
    });
    check(ratios.length > 0, `no answer line ${mode} ${theme}`);
    const least = Math.min(...ratios);
    console.log(`    answer lines ${mode} ${theme}: at least ${least.toFixed(1)} to 1`);
    check(least >= 7, `answer line ${mode} ${theme}: contrast ${least.toFixed(2)}`);
  }
  await page.close();
};
