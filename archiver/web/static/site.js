// What every page does: menus close by Escape or a press beside them; the colours change at once.
import { every, one } from "./elements.js";

for (const menu of every(document, "[data-menu]", HTMLDetailsElement)) {
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && menu.open) {
      menu.open = false;
      one(menu, "summary", HTMLElement).focus();
    }
  });
  document.addEventListener("pointerdown", (event) => {
    if (menu.open && !(event.target instanceof Node && menu.contains(event.target))) menu.open = false;
  });
}

// Submitting twice by a second press would send everything twice.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!(form instanceof HTMLFormElement)) return;
  if (form.dataset.sent) event.preventDefault();
  form.dataset.sent = "1";
  setTimeout(() => delete form.dataset.sent, 3000);
});
