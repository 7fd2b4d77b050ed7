// The buttons that unfold a part of the navigation hold an icon alone: give them words for those who listen.
document.querySelectorAll(".toctree-toggle").forEach((toggle) => {
  toggle.parentElement.setAttribute("aria-label", "show or hide the pages below");
});
