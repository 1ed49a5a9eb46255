// Labels one after the other into the list; without a connection the list waits in this browser and is sent once.
import { readWithCamera } from "./camera.js";

const form = document.querySelector("form.batch");
const codes = form.elements.codes;
const queue = document.querySelector("[data-queue]");
const list = queue.querySelector("ul");
const [send, drop] = queue.querySelectorAll("button");
const STORED = "moves-to-send";
const TRY_AGAIN_MS = 15000;

const read = () => JSON.parse(localStorage.getItem(STORED) ?? "[]");
const lines = () => codes.value.split("\n").filter((line) => line.trim());

function write(moves) {
  if (moves.length) localStorage.setItem(STORED, JSON.stringify(moves));
  else localStorage.removeItem(STORED);
  show();
}

// The code at the end of a label's address.
const shorten = (text) => text.trim().toUpperCase().split("/").filter(Boolean).at(-1);

readWithCamera(document.querySelector("[data-camera]"), (text, said) => {
  const code = shorten(text);
  if (!lines().includes(code)) {
    codes.value = [...lines(), code, ""].join("\n");
    navigator.vibrate?.(60);
  }
  said.textContent = said.dataset.read.replace("{code}", code).replace("{count}", lines().length);
  return true;
});

function show() {
  const moves = read();
  queue.hidden = !moves.length;
  list.replaceChildren(
    ...moves.map(({ at, fields, refused }) => {
      const item = document.createElement("li");
      const count = new Map(fields).get("codes").split("\n").filter((line) => line.trim()).length;
      const time = new Date(at).toLocaleString(document.documentElement.lang, { dateStyle: "short", timeStyle: "short" });
      item.textContent = [queue.dataset.item.replace("{time}", time).replace("{count}", count), refused].filter(Boolean).join(" ");
      return item;
    })
  );
  drop.hidden = !moves.some(({ refused }) => refused);
}

// "sent", "refused" with a reason, or "later" where there is no connection or nobody is signed in.
async function post(fields, token) {
  const body = new URLSearchParams([...fields.filter(([name]) => name !== "csrfmiddlewaretoken"), ["csrfmiddlewaretoken", token]]);
  let response;
  try {
    response = await fetch(form.action, { method: "POST", body, redirect: "manual" });
  } catch {
    return { result: "later" };
  }
  if (response.type === "opaqueredirect") return { result: "sent" };
  if (response.status >= 500 || response.status === 403) return { result: "later" };
  const page = new DOMParser().parseFromString(await response.text(), "text/html");
  return { result: "refused", reason: page.querySelector(".batch .errors, .batch [role=alert], .errorlist")?.textContent.trim() ?? "" };
}

async function sendAll() {
  if (!read().length) return;
  let page;
  try {
    const response = await fetch(form.action, { cache: "no-store" });
    if (!response.ok || response.redirected) return;
    page = new DOMParser().parseFromString(await response.text(), "text/html");
  } catch {
    return;
  }
  const token = page.querySelector("form.batch [name=csrfmiddlewaretoken]")?.value;
  if (!token) return;
  let sent = 0;
  for (const move of read()) {
    if (move.refused) continue;
    const { result, reason } = await post(move.fields, token);
    if (result === "later") break;
    sent += result === "sent";
    write(read().flatMap((kept) => (kept.key !== move.key ? [kept] : result === "sent" ? [] : [{ ...kept, refused: reason }])));
  }
  // The page shows what was recorded.
  if (sent && !codes.value) location.reload();
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const fields = [...new FormData(form)];
  const now = new Date().toISOString();
  const key = self.crypto.randomUUID?.() ?? `${Date.now()}-${Math.random()}`;
  // The time of the scan, and a key of its own: an answer that is lost on the way does no harm.
  const own = { form_key: key, when: form.elements.when.value || now };
  const changed = fields.map(([name, value]) => [name, own[name] ?? value]);
  const { result } = await post(changed, form.elements.csrfmiddlewaretoken.value);
  if (result === "sent") return location.assign(form.action);
  // The refusal is shown by the page itself.
  if (result === "refused") return form.submit();
  write([...read(), { key, at: now, fields: changed }]);
  codes.value = "";
});

send.addEventListener("click", sendAll);
drop.addEventListener("click", () => write(read().filter(({ refused }) => !refused)));
addEventListener("online", sendAll);
setInterval(sendAll, TRY_AGAIN_MS);
if ("serviceWorker" in navigator) navigator.serviceWorker.register(document.body.dataset.worker);
show();
sendAll();
