// Shows reminders that are pushed to this browser, and opens them.
"use strict";

self.addEventListener("push", (event) => {
  const told = event.data.json();
  event.waitUntil(
    self.registration.showNotification(told.title, {
      body: told.body,
      tag: told.tag,
      data: { path: told.path },
    })
  );
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(self.clients.openWindow(event.notification.data.path));
});
