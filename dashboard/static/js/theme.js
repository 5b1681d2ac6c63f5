// Runs before anything is painted, so that a chosen theme never flashes the other one first.
(() => {
  try {
    const chosen = localStorage.getItem("wardian-theme");
    if (chosen === "light" || chosen === "dark") document.documentElement.dataset.theme = chosen;
  } catch {
    // Storage may be forbidden: the system's choice then holds.
  }
})();
