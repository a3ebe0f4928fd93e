// Runs before the first paint, so that a chosen theme does not flash.
(function () {
  var theme = null;
  try { theme = localStorage.getItem("theme"); } catch (error) { /* storage is off: follow the device */ }
  if (theme) document.documentElement.dataset.theme = theme;
})();
