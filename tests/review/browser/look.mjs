// Opens a page as a person would, dark on a phone and light on a desktop, and prints what is wrong with it.
//
//   node look.mjs CHROMIUM PAGE.html FOLDER-FOR-PICTURES
//
// Prints one JSON object: requests beside the page itself, messages of the console, accessibility violations,
// and how far the page is wider than its window.
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const [executablePath, file, folder] = process.argv.slice(2);
const url = pathToFileURL(file).href;
const axe = createRequire(import.meta.url).resolve("axe-core/axe.min.js");
const found = { requests: [], console: [], violations: [], overflow: [], pictures: [] };

const browser = await chromium.launch({
  executablePath,
  args: [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
  ],
});
for (const [name, width, height, colorScheme] of [
  ["phone-dark", 360, 800, "dark"],
  ["desktop-light", 1280, 900, "light"],
]) {
  // The page forbids all scripts; the checker itself must be let past that.
  const context = await browser.newContext({ viewport: { width, height }, colorScheme, bypassCSP: true });
  const page = await context.newPage();
  page.on("request", (request) => {
    if (request.url() !== url && !request.url().startsWith("data:")) found.requests.push(request.url());
  });
  page.on("console", (message) => found.console.push(`${message.type()}: ${message.text()}`));
  page.on("pageerror", (error) => found.console.push(`error: ${error}`));
  await page.goto(url);
  found.overflow.push(
    await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth),
  );
  await page.screenshot({ path: `${folder}/${name}.png`, fullPage: true });
  found.pictures.push(`${name}.png`);
  await page.evaluate(() => document.querySelectorAll("details").forEach((part) => (part.open = true)));
  await page.addScriptTag({ path: axe });
  const result = await page.evaluate(() =>
    globalThis.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"] }),
  );
  found.passes = result.passes.length;
  for (const violation of result.violations) {
    found.violations.push(`${name}: ${violation.id}: ${violation.help}: ${violation.nodes[0].html.slice(0, 200)}`);
  }
  if (name === "desktop-light") await page.pdf({ path: `${folder}/print.pdf`, format: "A4" });
  await context.close();
}
await browser.close();
console.log(JSON.stringify(found));
