/* Chooses the time zone of the browser where a lab is set up, if it is offered there and nobody has chosen.
   Without this script the person chooses. */
"use strict";
(() => {
  const own = Intl.DateTimeFormat().resolvedOptions().timeZone;
  for (const field of document.querySelectorAll("select[data-own-zone]")) {
    const offered = [...field.options].some((option) => option.value === own);
    if (own && offered && field.value === "") field.value = own;
  }
})();
