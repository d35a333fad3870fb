// A chainsaw taken in as the counter does it, page by page. Nothing here waits for the network.

import { sign } from "./lib.mjs";

/** @typedef {import("playwright-core").Page} Page */

/**
 * Opens an intake with the tag that is offered.
 * @param {Page} page @returns {Promise<string>} the intake's id
 */
export async function open(page) {
  await page.getByRole("link", { name: "Take a machine in" }).last().click();
  await page.getByRole("button", { name: /Chainsaw/ }).click();
  await page.getByRole("button", { name: /next free/ }).click();
  await page.waitForURL(/\/intake\/[0-9a-f-]{36}$/);
  return page.url().slice(-36);
}

/** The view that is shot next, as the heavy button says it; null when there is none. @param {Page} page */
export async function nextShot(page) {
  const shoot = page.locator("#shoot");
  await shoot.or(page.locator("a.act--heavy")).first().waitFor();
  return (await shoot.count()) === 0 ? null : (await shoot.innerText()).trim();
}

/** Photographs the next view. @param {Page} page @param {string} file */
export async function shoot(page, file) {
  const name = await nextShot(page);
  const chooser = page.waitForEvent("filechooser");
  await page.locator("#shoot").click();
  await (await chooser).setFiles(file);
  await page.waitForFunction((was) => document.querySelector("#shoot")?.textContent?.trim() !== was, name);
}

/** Everything after the photos, up to the shop's own act. @param {Page} page @param {{ words: string, serial: string, owner: string }} said */
export async function answer(page, { words, serial, owner }) {
  const onward = (/** @type {string} */ to) => page.locator("a.act--heavy").filter({ hasText: to }).click();
  await onward("Words, machine, name");
  await page.getByLabel("What do they say is wrong?").fill(words);
  await page.getByLabel("Make", { exact: true }).fill("Alder");
  await page.getByLabel("Model", { exact: true }).fill("46");
  await page.getByLabel("Serial", { exact: true }).fill(serial);
  await page.getByLabel("Owner's name").fill(owner);
  await page.getByLabel("Phone", { exact: true }).fill("0151 555 0142");
  await page.locator(".pick").filter({ hasText: "The owner brings it" }).click();
  await onward("Three questions");
  for (const choice of ["used", "longer", "fuel in"]) await page.locator("section .pick, section button").filter({ hasText: new RegExp(choice, "i") }).first().click();
  for (const sentence of [/looked at the photographed sides/, /None tested here/, /Nothing else was left/]) await page.getByRole("button", { name: sentence }).click();
  await onward("Money and dates");
  await page.locator("#usual").click();
  await onward("Show it to the customer");
  await sign(page);
  await page.locator("#sign").click();
  await page.locator("#take").waitFor();
}

/** The shop's act. @param {Page} page */
export async function takeIn(page) {
  await page.locator("#take").click();
  await page.waitForURL(/\/done$/);
}
