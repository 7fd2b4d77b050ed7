// The buttons that unfold a part of the navigation hold an icon alone: give them words for those who listen.
document.querySelectorAll(".toctree-toggle").forEach((toggle) => {
  toggle.parentElement.setAttribute("aria-label", "show or hide the pages below");
});
// What scrolls sideways can be reached by the keyboard too.
const reach = () => {
  document.querySelectorAll(".bd-article p").forEach((line) => {
    if (line.querySelector(":scope > img") && line.scrollWidth > line.clientWidth) {
      line.setAttribute("tabindex", "0");
      line.setAttribute("role", "group");
      line.setAttribute("aria-label", "picture, scrolls sideways");
    }
  });
};
window.addEventListener("load", reach);
window.addEventListener("resize", reach);
