// On paper: every page prints; the season report and the jar cards are not cut on A4 and on Letter.
import { execFileSync } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { check } from './report.mjs';
import { PAGES, visit } from './stand.mjs';

/** Width of the paper, points. */
const FORMATS = { A4: 595.3, Letter: 612 };
/** Least margin of the paper that stays white, points; our own margins in the same unit. */
const MARGIN = 20, MARGINS = 2 * 12 / 25.4 * 72;

/** Words of each page with their boxes, as Poppler reads them back. */
const words = (file) => execFileSync('pdftotext', ['-bbox', file, '-'], { maxBuffer: 1 << 27 }).toString().split('<page ').slice(1).map((page) => [...page.matchAll(/xMin="([\d.]+)" yMin="[\d.]+" xMax="([\d.]+)" yMax="[\d.]+">([^<]*)</g)].map((m) => ({ left: Number(m[1]), right: Number(m[2]), word: m[3] })));

const printed = async (page, where, format, folder) => {
  const file = join(folder, 'page.pdf');
  await page.pdf({ path: file, format });
  const pages = words(file);
  const cut = pages.flat().find((word) => word.right > FORMATS[format] - MARGIN || word.left < MARGIN);
  check(!cut, `${where} on ${format}: "${cut?.word}" runs into the margin`);
  return pages;
};
const count = (words, wanted) => words.filter((word) => word.word === wanted).length;

/** Long tables: many rows, each with a mark at its beginning and its end, short enough not to be broken in
 *  a narrow column, and words that need several lines, as people write them. Drawings get a mark at their
 *  first and last text. How many rows and drawings there are. */
const lengthen = () => {
  let rows = 0, drawings = 0;
  for (const row of document.querySelectorAll('.report tbody tr:first-child')) {
    const body = row.parentElement;
    for (let i = 0; i < 60; i += 1) {
      const copy = row.cloneNode(true), last = copy.cells.length - 1;
      copy.cells[0].textContent = `b${rows}`;
      copy.cells[last].textContent = last ? `e${rows}` : `b${rows} e${rows}`;
      const middle = [...copy.cells].slice(1, last).find((cell) => !cell.matches('.n'));
      if (middle) middle.textContent = `${'a long remark about what was found in the morning at the third jar of the upper shelf, and '.repeat(3)} z${rows}`;
      rows += 1;
      body.append(copy);
    }
  }
  for (const drawing of document.querySelectorAll('.report svg:has(text)')) {
    const texts = [...drawing.querySelectorAll('text')];
    texts[0].textContent = `f${drawings}`;
    texts.at(-1).textContent = `l${drawings}`;
    drawings += 1;
  }
  return { rows, drawings };
};

/** Rows whose beginning, end and middle do not stand on one sheet, and drawings likewise. */
const cutIn = (sheets, { rows, drawings }) => {
  const cut = [];
  const whole = (begin, end, middle) => {
    const on = sheets.findIndex((words) => count(words, begin) === 1);
    return on >= 0 && count(sheets[on], end) === 1 && sheets.every((words, i) => i === on || count(words, middle) === 0);
  };
  for (let n = 0; n < rows; n += 1) if (!whole(`b${n}`, `e${n}`, `z${n}`)) cut.push(`row ${n}`);
  for (let n = 0; n < drawings; n += 1) if (!whole(`f${n}`, `l${n}`, `f${n}`)) cut.push(`drawing ${n}`);
  return cut;
};

/** Cards whose first and last line do not stand on one sheet. */
const cutCards = (sheets) => sheets.reduce((sum, words) => sum + Math.abs(count(words, 'Lot') - count(words, 'since')), 0);

/** Adds a rule to the page's own style; text in a style element would be refused. */
const rule = (page, text) => page.evaluate((css) => { const sheet = document.styleSheets[0]; sheet.insertRule(css, sheet.cssRules.length); }, text);

/** Cells whose words do not fit beside their neighbours, at the width of the paper. */
const clipped = async (page, format) => {
  await page.setViewportSize({ width: Math.floor((FORMATS[format] - MARGINS) / 72 * 96), height: 1000 });
  await page.emulateMedia({ media: 'print' });
  const cells = await page.evaluate(() => [...document.querySelectorAll('.report th, .report td')].filter((cell) => cell.scrollWidth > cell.clientWidth + 1).map((cell) => cell.textContent.slice(0, 30)));
  const wide = await page.evaluate(() => [...document.querySelectorAll('.report table')].filter((table) => table.getBoundingClientRect().right > innerWidth + 1).length);
  await page.emulateMedia({ media: null });
  return { cells, wide };
};

const season = async (page, site, format, folder) => {
  await visit(page, `${site.url}/season`);
  const heads = await page.locator('.report thead').count();
  const { cells, wide } = await clipped(page, format);
  check(cells.length === 0 && wide === 0, `season on ${format}: ${wide} tables too wide, cells that do not hold their words: ${cells.slice(0, 3).join(' | ')}`);
  const marks = await page.evaluate(lengthen);
  check(marks.rows >= 300 && marks.drawings >= 1 && heads > 4, `${marks.rows} rows, ${heads} heads, ${marks.drawings} drawings`);
  const pages = await printed(page, 'season', format, folder);
  check(pages.length > 10, 'long tables do not fill a page');
  const cut = cutIn(pages, marks);
  check(cut.length === 0, `season on ${format}: cut by the end of a sheet: ${cut.slice(0, 5).join(', ')}`);
  // What would be found if rows and drawings were allowed to break.
  await rule(page, '@media print { .report *, .report tr, .report svg { break-inside: auto !important; } }');
  const loose = cutIn(await printed(page, 'season, cut on purpose', format, folder), marks);
  check(loose.length > 5, `cutting rows on purpose is not noticed on ${format}: ${loose.length}`);
  console.log(`    ${format}: ${marks.rows} rows and ${marks.drawings} drawings on ${pages.length} sheets, none cut; ${loose.length} when they may be`);
};

const cards = async (page, site, format, folder) => {
  await visit(page, `${site.url}/cards`);
  const n = await page.locator('.card').count();
  const sheets = await printed(page, 'cards', format, folder);
  check(n > 12, `only ${n} cards`);
  check(sheets.reduce((sum, words) => sum + count(words, 'since'), 0) === n, `cards are missing on ${format}`);
  check(sheets.every((words) => count(words, 'since') > 0), `a sheet without a card on ${format}`);
  check(cutCards(sheets) === 0, `a card is cut on ${format}`);
  // One column of cards with lines far apart, free to break: some must be cut, and be noticed.
  await rule(page, '@media print { .cards { display: block !important; } .card, .card * { break-inside: auto !important; } .card { display: block !important; } .card p { margin: 23mm 0 !important; } }');
  check(cutCards(await printed(page, 'cards, cut on purpose', format, folder)) > 0, `cutting cards on purpose is not noticed on ${format}`);
};

export const onPaper = async (browser, site) => {
  const folder = mkdtempSync(join(tmpdir(), 'nightjar-paper-'));
  const page = await browser.newPage();
  for (const [name, path] of PAGES) {
    await visit(page, site.url + path);
    const pages = await printed(page, name, 'A4', folder);
    check(pages.flat().length > 5, `${name} on paper is empty`);
    await page.emulateMedia({ media: 'print' });
    check(await page.locator('nav.bar').isHidden(), `${name}: the bar is printed`);
    await page.emulateMedia({ media: null });
  }
  for (const format of Object.keys(FORMATS)) {
    await cards(page, site, format, folder);
    await visit(page, site.url);
    const rack = await printed(page, 'rack', format, folder);
    for (const [shelf, jar] of [['1', 'J01'], ['2', 'J09'], ['3', 'J17']]) {
      const on = rack.find((words) => words.some(({ word }, i) => word === 'Shelf' && words[i + 1]?.word === shelf));
      check(on && count(on, jar) === 1, `shelf ${shelf} is cut off from its jars on ${format}`);
    }
    await season(page, site, format, folder);
  }
  rmSync(folder, { recursive: true });
  await page.close();
};
