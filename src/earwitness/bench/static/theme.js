// Before the first paint, so that a dark page does not flash light. It needs nothing else, so that it can tell where
// the rest does not come.
(() => {
  "use strict";
  const LATE_MS = 3000;
  const chosen = localStorage.getItem("theme");
  if (chosen) document.documentElement.dataset.theme = chosen;
  addEventListener("DOMContentLoaded", () => {
    const late = document.getElementById("late");
    // The presenter has no such line.
    if (!late) return;
    const isLate = () => document.getElementById("main").inert;
    setTimeout(() => (late.hidden = !isLate()), LATE_MS);
    document.addEventListener("bench-ready", () => (late.hidden = true));
    late.querySelector("button").onclick = () => location.reload();
  });
})();
