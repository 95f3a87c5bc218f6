/* Before the first paint: the remembered night page, and the words by which print differs. */
(function () {
  "use strict";
  var night = false;
  try { night = window.localStorage.getItem("sailanalysis-night") === "1"; } catch (e) { night = false; }
  if (night) { document.documentElement.classList.add("night"); }
  document.documentElement.classList.add("scripted");
})();
