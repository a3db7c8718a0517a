"use strict";
// A place of a finding: its button shows which mark on the picture it is, and says so. Without this the numbers still match.
document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-mark]");
  if (!button) return;
  const card = button.closest("article");
  const isOn = button.getAttribute("aria-pressed") === "true";
  card.querySelectorAll("button[data-mark]").forEach((other) => other.setAttribute("aria-pressed", "false"));
  card.querySelectorAll(".mark.on").forEach((mark) => mark.classList.remove("on"));
  const here = card.querySelector("[role=status]");
  here.textContent = isOn ? "" : `Listen at ${button.dataset.at} of ${card.dataset.name}.`;
  if (isOn) return;
  button.setAttribute("aria-pressed", "true");
  card.querySelectorAll(`.mark[data-mark="${button.dataset.mark}"]`).forEach((mark) => mark.classList.add("on"));
});

// The list of levels in another order: by verdict as written, by distance from the target, by name.
const ORDERS = {
  place: (a, b) => a.dataset.place - b.dataset.place,
  away: (a, b) => b.dataset.away - a.dataset.away || a.dataset.place - b.dataset.place,
  name: (a, b) => a.dataset.name.localeCompare(b.dataset.name, undefined, { numeric: true }),
};
const sorting = document.querySelector(".sort");
if (sorting) sorting.hidden = false;
document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-sort]");
  if (!button) return;
  sorting.querySelectorAll("button").forEach((other) => other.setAttribute("aria-pressed", String(other === button)));
  const list = document.querySelector("ol.glance");
  list.append(...[...list.children].sort(ORDERS[button.dataset.sort]));
});

// A stem that a link leads to is unfolded.
const unfold = () => {
  const card = /^#stem-\d+$/.test(location.hash) && document.querySelector(location.hash);
  if (card) card.querySelector("details").open = true;
};
window.addEventListener("hashchange", unfold);
unfold();
