// A plain script in the head: it sets the theme before the first paint, so that a light screen never flashes on a dark stage.
(() => {
  let theme = "dark";
  try {
    theme = JSON.parse(localStorage.getItem("fillside.settings") || "{}").theme || "dark";
  } catch {
    theme = "dark";
  }
  if (theme === "device") theme = matchMedia("(prefers-color-scheme: light)").matches ? "light" : "dark";
  document.documentElement.dataset.theme = theme;
})();
