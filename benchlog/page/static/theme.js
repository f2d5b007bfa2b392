// Before the first paint, so that nothing flashes: the look the viewer chose, or else the system's.
const chosen = localStorage.getItem("theme");
if (chosen) document.documentElement.dataset.theme = chosen;
