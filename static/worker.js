// The service worker: shows reminders that are pushed, and answers with the last board where there is no connection.
"use strict";

const CACHE = "last-seen";
// The pages that open without a connection. Static files are stored with them.
const KEPT = ["/", "/scan/move/"];

self.addEventListener("push", (event) => {
  const content = event.data.json();
  event.waitUntil(
    self.registration.showNotification(content.title, {
      body: content.body,
      tag: content.tag,
      data: { path: content.path },
    })
  );
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(self.clients.openWindow(event.notification.data.path));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  const opens = request.mode === "navigate";
  const stored = KEPT.includes(pathname) || pathname.startsWith("/static/");
  if (request.method !== "GET" || origin !== location.origin || !(opens || stored)) return;
  event.respondWith(answer(request, pathname, opens, stored));
});

async function answer(request, pathname, opens, stored) {
  const cache = await caches.open(CACHE);
  try {
    const response = await fetch(request);
    // Whoever signed out leaves nothing behind.
    if (pathname === "/sign-in/") await caches.delete(CACHE);
    else if (stored && response.ok && !response.redirected) await cache.put(pathname, response.clone());
    return response;
  } catch (error) {
    const found = (await find(cache, pathname)) ?? (opens ? await find(cache, KEPT[0]) : undefined);
    if (!found) throw error;
    return opens ? withAge(found) : found;
  }
}

// A page that is sent to one person at a time varies by cookie; of one that is stored there is one.
function find(cache, pathname) {
  return cache.match(pathname, { ignoreVary: true });
}

// The stored page, which states from when it is.
async function withAge(response) {
  const page = await response.text();
  const language = page.match(/<html lang="([^"]+)"/)?.[1];
  const time = new Date(response.headers.get("Date")).toLocaleString(language, { dateStyle: "medium", timeStyle: "short" });
  const sentence = page.match(/ data-offline="([^"]*)"/)?.[1] ?? "";
  const notice = `<p class="notice notice-error" role="status" data-note="offline">${sentence.replace("{time}", time)}</p>`;
  return new Response(page.replace(/<main [^>]*>/, (main) => main + notice), {
    headers: { "Content-Type": "text/html; charset=utf-8" },
  });
}
