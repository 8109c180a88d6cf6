"use strict";
// A link into something folded away unfolds it; browsers that do so by themselves lose nothing.
(function () {
  function unfold() {
    var at = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    for (var box = at; box; box = box.parentElement) {
      if (box.tagName === "DETAILS") { box.open = true; }
    }
    if (at) { at.scrollIntoView(); }
  }
  if (matchMedia("(max-width: 46rem)").matches) {
    document.querySelectorAll(".method").forEach(function (box) { box.open = false; });
  }
  addEventListener("hashchange", unfold);
  if (location.hash) { unfold(); }
  document.querySelectorAll(".for-phone a").forEach(function (a) {
    a.addEventListener("click", function () { a.closest("details").open = false; });
  });
})();
