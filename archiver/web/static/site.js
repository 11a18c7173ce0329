// What every page does: menus close by Escape or a press beside them; the colours change at once.
for (const menu of document.querySelectorAll("[data-menu]")) {
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && menu.open) {
      menu.open = false;
      menu.querySelector("summary").focus();
    }
  });
  document.addEventListener("pointerdown", (event) => {
    if (menu.open && !menu.contains(event.target)) menu.open = false;
  });
}

// Submitting twice by a second press would send everything twice.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent) event.preventDefault();
  form.dataset.sent = "1";
  setTimeout(() => delete form.dataset.sent, 3000);
});
