// The three-way switch: as the system, light, dark.
const KEY = "wardian-theme";

function stored() {
  try {
    return localStorage.getItem(KEY) ?? "system";
  } catch {
    return "system";
  }
}

function apply(choice) {
  const root = document.documentElement;
  if (choice === "system") delete root.dataset.theme;
  else root.dataset.theme = choice;
  try {
    if (choice === "system") localStorage.removeItem(KEY);
    else localStorage.setItem(KEY, choice);
  } catch {
    // It then holds for this page only.
  }
  document.dispatchEvent(new CustomEvent("themechange"));
}

export function themeSwitch(fieldset) {
  fieldset.hidden = false;
  const choice = stored();
  for (const input of fieldset.querySelectorAll("input")) {
    input.checked = input.value === choice;
    input.addEventListener("change", () => apply(input.value));
  }
}
