// On paper: every page prints; the season report and the jar cards are not cut on A4 and on Letter.
import { execFileSync } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { check } from './report.mjs';
import { PAGES, visit } from './stand.mjs';

const FORMATS = { A4: 595.3, Letter: 612 };
/** Least margin of the paper that stays white, points. */
const MARGIN = 20;

/** Words of each page with their boxes, as Poppler reads them back. */
const words = (file) => execFileSync('pdftotext', ['-bbox', file, '-']).toString().split('<page ').slice(1).map((page) => [...page.matchAll(/xMin="([\d.]+)" yMin="[\d.]+" xMax="([\d.]+)" yMax="[\d.]+">([^<]*)</g)].map((m) => ({ left: Number(m[1]), right: Number(m[2]), word: m[3] })));

const printed = async (page, where, format, folder) => {
  const file = join(folder, 'page.pdf');
  await page.pdf({ path: file, format });
  const pages = words(file);
  const cut = pages.flat().find((word) => word.right > FORMATS[format] - MARGIN || word.left < MARGIN);
  check(!cut, `${where} on ${format}: "${cut?.word}" runs into the margin`);
  return pages;
};
const count = (words, wanted) => words.filter((word) => word.word === wanted).length;

/** Long tables: many rows and records, each with a mark at its beginning and its end, short enough not to
 *  be broken in a narrow column. */
const lengthen = () => {
  let n = 0;
  for (const row of document.querySelectorAll('.report tbody tr:first-child, .report .record:first-of-type')) {
    const body = row.parentElement;
    for (let i = 0; i < 60; i += 1) {
      const copy = row.cloneNode(true);
      const ends = copy.matches('tr') ? [copy.cells[0], copy.cells[copy.cells.length - 1]] : [copy.querySelector('dd'), [...copy.querySelectorAll('dd')].at(-1)];
      ends[0].textContent = `b${n}`;
      ends[1].textContent = ends[0] === ends[1] ? `b${n} e${n}` : `e${n}`;
      // Words that need several lines, as people write them.
      if (copy.matches('tr') && copy.cells.length > 2) copy.cells[1].textContent = `${'a long remark about what was found in the morning at the third jar of the upper shelf, and '.repeat(3)} z${n}`;
      n += 1;
      body.append(copy);
    }
  }
  return n;
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
    await visit(page, `${site.url}/cards`);
    const cards = await page.locator('.card').count();
    const sheets = await printed(page, 'cards', format, folder);
    check(cards > 12, `only ${cards} cards`);
    check(sheets.reduce((sum, words) => sum + count(words, 'since'), 0) === cards, `cards are missing on ${format}`);
    check(sheets.every((words) => count(words, 'since') > 0), `a sheet without a card on ${format}`);
    for (const words of sheets) check(count(words, 'Lot') === count(words, 'since'), `a card is cut on ${format}`);
    await visit(page, site.url);
    const rack = await printed(page, 'rack', format, folder);
    for (const [shelf, jar] of [['1', 'J01'], ['2', 'J09'], ['3', 'J17']]) {
      const on = rack.find((words) => words.some(({ word }, i) => word === 'Shelf' && words[i + 1]?.word === shelf));
      check(on && count(on, jar) === 1, `shelf ${shelf} is cut off from its jars on ${format}`);
    }
    await visit(page, `${site.url}/season`);
    const heads = await page.locator('.report thead').count();
    const rows = await page.evaluate(lengthen);
    check(rows >= 120 && heads > 0, `${rows} rows in ${heads} tables`);
    const pages = await printed(page, 'season', format, folder);
    check(pages.length > 2, 'long tables do not fill a page');
    for (let n = 0; n < rows; n += 1) {
      const on = pages.findIndex((words) => count(words, `b${n}`) === 1);
      check(on >= 0 && count(pages[on], `e${n}`) === 1 && pages.every((words, i) => i === on || count(words, `z${n}`) === 0), `row ${n} of the season report is cut on ${format}`);
    }
  }
  rmSync(folder, { recursive: true });
  await page.close();
};
