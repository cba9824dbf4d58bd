// Holds the HTML summaries to general-purpose tools: html-validate (HTML), axe-core in headless Chromium (accessibility),
// printing to A4 and Letter (pages of the customer's copy; no sideways overflow on a phone).
//
// Re-run, from the project's folder, with Node and a chromium on the path:
//   cargo build && npm install --prefix target/pages html-validate axe-core puppeteer-core
//   NODE_PATH=target/pages/node_modules node tests/scripts/summary_pages.mjs [CARD.yaml ...]
//   (all of cases/ where no card is named; SHOP=shop.yaml for other settings than the invented shop's, which has letterhead
//   and terms and so needs the most room; TEMPLATES=DIR for templates,
//   CHROMIUM=PATH, OUT=DIR for pages and screenshots)
// Exit code 1 when anything is wrong.
import { createRequire } from 'node:module';
import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';

const require = createRequire(path.join(process.env.NODE_PATH ?? 'target/pages/node_modules', 'x.js'));
const { HtmlValidate } = require('html-validate');
const puppeteer = require('puppeteer-core');
const axe = fs.readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');

const out = process.env.OUT ?? 'target/pages/out';
fs.mkdirSync(out, { recursive: true });
const named = process.argv.slice(2);
const cards = named.length ? named
  : fs.readdirSync('cases').filter((f) => f.endsWith('.yaml')).map((f) => path.join('cases', f));

const rules = new HtmlValidate({
  extends: ['html-validate:standard', 'html-validate:a11y'],
  // Layout of the text, not validity; inline SVG carries its own style by attributes.
  rules: { 'no-trailing-whitespace': 'off', 'long-title': 'off', 'no-inline-style': 'error' },
});
const browser = await puppeteer.launch({
  executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu'],
});
const pages = (pdf) => (Buffer.from(pdf).toString('latin1').match(/\/Type\s*\/Page[^s]/g) ?? []).length;
let wrong = 0;
const complain = (what) => { wrong += 1; console.log(`  WRONG ${what}`); };

for (const card of cards) {
  for (const who of ['customer', 'bench']) {
    const name = `${path.basename(card, '.yaml')}-${who}`;
    const file = path.resolve(out, `${name}.html`);
    const args = ['summary', card, '--for', who, '--format', 'html', '-o', file];
    args.push('--config', process.env.SHOP ?? 'cases/shops/lamplight-bench.yaml');
    if (process.env.TEMPLATES) args.push('--templates', process.env.TEMPLATES);
    execFileSync('target/debug/halfsplit', args, { stdio: ['ignore', 'ignore', 'inherit'] });
    const html = fs.readFileSync(file, 'utf8');
    const report = await rules.validateString(html);
    for (const result of report.results) {
      for (const m of result.messages) complain(`${name}:${m.line}: ${m.ruleId}: ${m.message}`);
    }
    const page = await browser.newPage();
    const asked = [];
    page.on('request', (r) => { if (!r.url().startsWith('file:')) asked.push(r.url()); });
    const line = [name.padEnd(40)];
    for (const [kind, width] of [['desktop', 1100], ['phone', 360]]) {
      await page.setViewport({ width, height: 900 });
      await page.goto(`file://${file}`);
      const active = await page.evaluate(() => [...document.querySelectorAll('*')].filter((e) =>
        /^(script|img|image|link|iframe|object|embed|base|form|use|foreignObject|a)$/i.test(e.tagName)
        || e.getAttributeNames().some((n) => /^on|^href$|^src$|^style$/i.test(n))).map((e) => e.outerHTML.slice(0, 80)));
      active.forEach((e) => complain(`${name}: active content: ${e}`));
      await page.addScriptTag({ content: axe });
      const found = await page.evaluate(async () => (await axe.run(document, {
        runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
      })).violations.map((v) => `${v.id}: ${v.nodes[0].html.slice(0, 120)} (${v.nodes.length})`));
      found.forEach((v) => complain(`${name} ${kind}: ${v}`));
      const [content, least] = await page.evaluate(() => {
        const sizes = [...document.querySelectorAll('svg text')].map((t) => {
          const svg = t.ownerSVGElement;
          return parseFloat(t.getAttribute('font-size')) * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
        });
        return [document.documentElement.scrollWidth, Math.min(...sizes, 99)];
      });
      if (content > width) complain(`${name} ${kind}: ${content} pixels wide`);
      if (least < 12) complain(`${name} ${kind}: text of ${least.toFixed(1)} pixels in a picture`);
      await page.screenshot({ path: path.join(out, `${name}-${kind}.png`), fullPage: true });
      line.push(`${kind} ${found.length} axe`);
    }
    for (const format of ['A4', 'Letter']) {
      const pdf = await page.pdf({ format, preferCSSPageSize: false, path: path.join(out, `${name}-${format}.pdf`) });
      line.push(`${format} ${pages(pdf)} p.`);
      if (who === 'customer' && pages(pdf) !== 1 && !/hostile/.test(name)) {
        complain(`${name}: ${pages(pdf)} pages of ${format}`);
      }
    }
    if (asked.length) complain(`${name}: asked for ${asked.join(' ')}`);
    console.log(line.join('  '));
    await page.close();
  }
}
await browser.close();
console.log(wrong ? `${wrong} wrong` : 'nothing wrong');
process.exit(wrong ? 1 : 0);
