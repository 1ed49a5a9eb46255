// The button that prints: without a script the browser's own menu does.
const button = document.querySelector("[data-print]");
button.hidden = false;
button.addEventListener("click", () => window.print());
