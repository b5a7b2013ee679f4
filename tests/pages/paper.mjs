// Every page on paper.
import { check } from './report.mjs';
import { PAGES, visit } from './stand.mjs';

export const onPaper = async (browser, site) => {
  const page = await browser.newPage();
  for (const [name, path] of PAGES) {
    await visit(page, site.url + path);
    const pdf = await page.pdf({ format: 'A4' });
    check(pdf.length > 2000 && pdf.subarray(0, 5).toString() === '%PDF-', `${name} on paper`);
    await page.emulateMedia({ media: 'print' });
    check(await page.locator('nav.bar').isHidden(), `${name}: the bar is printed`);
    await page.emulateMedia({ media: null });
  }
  await page.close();
};
