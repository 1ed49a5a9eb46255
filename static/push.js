// "Notify this browser": asks the browser for a subscription and sends it with the form.
"use strict";

(() => {
  const form = document.getElementById("push");
  const said = document.getElementById("push-said");
  if (!("serviceWorker" in navigator && "PushManager" in window && window.isSecureContext)) return;
  form.hidden = false;
  said.textContent = said.dataset.ready;

  const bytes = (base64url) =>
    Uint8Array.from(atob(base64url.replace(/-/g, "+").replace(/_/g, "/")), (letter) => letter.charCodeAt(0));

  const subscribed = async () => {
    if ((await Notification.requestPermission()) !== "granted") {
      throw new Error(said.dataset.refused);
    }
    await navigator.serviceWorker.register(form.dataset.worker);
    const { pushManager } = await navigator.serviceWorker.ready;
    // One that was made for another key is of no use.
    await (await pushManager.getSubscription())?.unsubscribe();
    const applicationServerKey = bytes(form.dataset.key);
    return pushManager.subscribe({ userVisibleOnly: true, applicationServerKey });
  };

  form.querySelector("button").addEventListener("click", async () => {
    try {
      const { endpoint, keys } = (await subscribed()).toJSON();
      form.elements.endpoint.value = endpoint;
      form.elements.p256dh.value = keys.p256dh;
      form.elements.auth.value = keys.auth;
      form.elements.name.value = said.dataset.name.replace("{platform}", navigator.platform || "?");
      form.submit();
    } catch (error) {
      said.textContent = said.dataset.failed.replace("{reason}", error.message);
    }
  });
})();
