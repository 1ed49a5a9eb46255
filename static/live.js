// Keeps an open page up to date: asks for the version of the board, and takes the page's content again when it
// has changed. A page in which somebody is typing is left alone.
"use strict";

const ASK_EVERY_MS = 4000;
const TAKE_AT_LEAST_EVERY_MS = 300000;
let version = document.body.dataset.version;
let takenAt = Date.now();

function inUse(main) {
  return main.contains(document.activeElement) && document.activeElement.matches("input, select, textarea");
}

async function take(main) {
  const answer = await fetch(location.href);
  if (!answer.ok || answer.redirected) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = page.getElementById("main");
  if (!fresh || inUse(main)) return;
  // What a person has folded out stays so.
  const open = [...main.querySelectorAll("details")].map((details) => details.open);
  main.replaceChildren(...fresh.childNodes);
  main.querySelectorAll("details").forEach((details, n) => (details.open = open[n] ?? details.open));
  document.title = page.title;
  takenAt = Date.now();
}

async function ask() {
  const main = document.getElementById("main");
  if (document.hidden || inUse(main)) return;
  try {
    const answer = await fetch(document.body.dataset.live);
    if (!answer.ok || answer.redirected) return;
    const present = (await answer.json()).version;
    if (present === version && Date.now() - takenAt < TAKE_AT_LEAST_EVERY_MS) return;
    version = present;
    await take(main);
  } catch {
    // The service is away for a moment; the next question finds it again.
  }
}

setInterval(ask, ASK_EVERY_MS);
document.addEventListener("visibilitychange", ask);
ask();
