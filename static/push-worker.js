// Shows reminders that are pushed to this browser, and opens them.
"use strict";

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
