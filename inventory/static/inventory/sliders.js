/* A slider beside each number that has bounds to slide between; the number stays what is sent. Beside an empty
   one it stands where the plan would take it to be, if that is told. Without this script the numbers and the
   button do the same. */
"use strict";
(() => {
  // The strict policy of the page allows no style and no code that a library makes up.
  if (window.htmx) Object.assign(window.htmx.config, { includeIndicatorStyles: false, allowEval: false });
  const read = (text) => Number(text.trim().replace(",", "."));
  for (const number of document.querySelectorAll("input[data-slide]")) {
    const [min, max, step, empty = min] = number.dataset.slide.split(" ");
    const slider = document.createElement("input");
    slider.type = "range";
    Object.assign(slider, { min, max, step });
    slider.setAttribute("aria-label", document.querySelector(`label[for="${number.id}"]`).textContent.trim());
    const follow = () => {
      const value = read(number.value);
      slider.value = number.value.trim() && Number.isFinite(value) ? value : empty;
    };
    slider.addEventListener("input", () => {
      number.value = slider.value;
      number.dispatchEvent(new Event("input", { bubbles: true }));
    });
    number.addEventListener("change", follow);
    follow();
    number.after(slider);
  }
})();
