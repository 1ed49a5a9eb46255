// Refreshes an open page: requests the version of the board, and replaces the page's content when the version
// changed. A page in which somebody is typing stays as it is.
"use strict";

const CHECK_EVERY_MS = 4000;
const REPLACE_AFTER_MS = 300000;
let version = document.body.dataset.version;
let replacedAt = Date.now();

function isBeingEdited(main) {
  return main.contains(document.activeElement) && document.activeElement.matches("input, select, textarea");
}

async function replaceContent(main) {
  const response = await fetch(location.href);
  if (!response.ok || response.redirected) return;
  const page = new DOMParser().parseFromString(await response.text(), "text/html");
  const fresh = page.getElementById("main");
  if (!fresh || isBeingEdited(main)) return;
  // Details that are open stay open.
  const open = [...main.querySelectorAll("details")].map((details) => details.open);
  main.replaceChildren(...fresh.childNodes);
  main.querySelectorAll("details").forEach((details, n) => (details.open = open[n] ?? details.open));
  document.title = page.title;
  replacedAt = Date.now();
}

async function checkVersion() {
  const main = document.getElementById("main");
  if (document.hidden || isBeingEdited(main)) return;
  try {
    const response = await fetch(document.body.dataset.live);
    if (!response.ok || response.redirected) return;
    const current = (await response.json()).version;
    if (current === version && Date.now() - replacedAt < REPLACE_AFTER_MS) return;
    version = current;
    await replaceContent(main);
  } catch {
    // The service does not answer for a moment; the next request tries again.
  }
}

setInterval(checkVersion, CHECK_EVERY_MS);
document.addEventListener("visibilitychange", checkVersion);
checkVersion();
if ("serviceWorker" in navigator) navigator.serviceWorker.register(document.body.dataset.worker);
