// Day or night before the first paint, so that the page never flashes white in the dark.
(() => {
  let wish = null;
  try {
    wish = localStorage.getItem('padbank-light');
  } catch {
    wish = null; // storage is switched off: follow the system
  }
  const night = wish ? wish === 'night' : matchMedia('(prefers-color-scheme: dark)').matches;
  document.documentElement.dataset.light = night ? 'night' : 'day';
})();
