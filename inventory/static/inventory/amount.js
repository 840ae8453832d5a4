/* The amount of the last time, filled in and selected, so that the first digit typed takes its place. Not where a
   verdict speaks against it, and not just after something was recorded: a tap too many would record it again.
   Without this script it can be chosen from the list at the field. */
"use strict";
(() => {
  const all = (field) => field.setSelectionRange(0, field.value.length);
  const ready = (target) => target.matches?.("form[data-ready] input[data-portion]") && target.value === target.dataset.portion;
  document.addEventListener("focusin", (event) => { if (ready(event.target)) all(event.target); });
  // A browser sets the caret only after the click has been told of.
  document.addEventListener("click", (event) => {
    window.setTimeout(() => { if (ready(event.target)) all(event.target); });
  });
  for (const field of document.querySelectorAll("form[data-ready] input[data-portion]")) {
    // What is being mended, or what the browser kept of a form left half filled in, stands already.
    if (field.value || window.location.hash) continue;
    field.value = field.dataset.portion;
    if (document.activeElement === field) all(field);
  }
})();
