// Before the first paint, so that a dark page does not flash light.
(() => {
  const chosen = localStorage.getItem("theme");
  if (chosen) document.documentElement.dataset.theme = chosen;
})();
