// Sets the theme before the first paint, so that a dark kitchen sees no flash.
// A classic script: modules run too late for that.
(function () {
  var theme = 'auto';
  try { theme = JSON.parse(localStorage.getItem('meltstation.prefs') || '{}').theme || 'auto'; } catch (e) { /* no storage: follow the system */ }
  if (theme === 'light' || theme === 'dark') document.documentElement.dataset.theme = theme;
})();
