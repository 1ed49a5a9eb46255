// Reads the values of a chart under the pointer, or by the arrow keys, from the table behind it.
"use strict";

const SVG = "http://www.w3.org/2000/svg";
const FAR = { PageUp: -10, PageDown: 10, ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 };

// words: the page's words for "now" and "event".
function describe(row, names, words) {
  const cells = [...row.cells].slice(1).map((cell, n) => [names[n], cell.textContent]);
  const texts = cells
    .filter(([, text], n) => text && text !== words.now && cells.findIndex((cell) => cell[1] === text) === n)
    .map(([name, text]) => (names.length > 1 && name !== words.event ? `${name} ${text}` : text));
  return `${row.cells[0].textContent}: ${texts.join("; ")}`;
}

function prepare(figure) {
  const plot = figure.querySelector(".chart-plot");
  const output = figure.querySelector(".chart-reading");
  const rows = [...figure.querySelectorAll("tr[data-at]")];
  if (!rows.length || plot.tabIndex === 0) return;
  const names = [...figure.querySelectorAll("thead th")].slice(1).map((head) => head.textContent);
  const now = output.textContent;
  const cursor = plot.firstElementChild.appendChild(document.createElementNS(SVG, "line"));
  cursor.setAttribute("class", "chart-cursor");
  cursor.setAttribute("y2", plot.getAttribute("height") - 34);
  let shown = rows.length - 1;

  function show(number) {
    shown = Math.min(rows.length - 1, Math.max(0, number));
    const text = describe(rows[shown], names, figure.dataset);
    cursor.setAttribute("x1", `${rows[shown].dataset.at}%`);
    cursor.setAttribute("x2", `${rows[shown].dataset.at}%`);
    figure.classList.add("is-read");
    output.textContent = text;
    plot.setAttribute("aria-valuenow", shown);
    plot.setAttribute("aria-valuetext", text);
  }

  function hide() {
    figure.classList.remove("is-read");
    output.textContent = now;
  }

  function follow(event) {
    const box = plot.getBoundingClientRect();
    const at = (100 * (event.clientX - box.left)) / box.width;
    const distances = rows.map((row) => Math.abs(row.dataset.at - at));
    show(distances.indexOf(Math.min(...distances)));
  }

  plot.setAttribute("role", "slider");
  plot.setAttribute("tabindex", 0);
  plot.setAttribute("aria-valuemin", 0);
  plot.setAttribute("aria-valuemax", rows.length - 1);
  plot.setAttribute("aria-valuenow", shown);
  plot.setAttribute("aria-valuetext", describe(rows[shown], names, figure.dataset));
  plot.addEventListener("pointermove", follow);
  plot.addEventListener("pointerdown", follow);
  plot.addEventListener("pointerleave", () => document.activeElement === plot || hide());
  plot.addEventListener("focus", () => show(shown));
  plot.addEventListener("blur", hide);
  plot.addEventListener("keydown", (event) => {
    const ends = { Home: 0, End: rows.length - 1 };
    if (event.key in ends) show(ends[event.key]);
    else if (event.key in FAR) show(shown + FAR[event.key]);
    else return;
    event.preventDefault();
  });
}

const prepareAll = () => document.querySelectorAll("figure.chart[data-chart]").forEach(prepare);
prepareAll();
// The content of an open page is replaced when the board changes.
new MutationObserver(prepareAll).observe(document.getElementById("main"), { childList: true });
