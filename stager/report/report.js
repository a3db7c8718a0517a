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
