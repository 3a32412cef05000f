// Keys, theme, copying, messages: what needs no server.
(() => {
  "use strict";
  const root = document.documentElement;
  const store = {
    get: (key) => { try { return localStorage.getItem(key); } catch { return null; } },
    set: (key, value) => { try { localStorage.setItem(key, value); } catch { /* not kept then */ } },
  };

  // Theme: the system's, until a person chooses; kept for all cases on this address.
  const themes = ["system", "light", "dark"];
  const showTheme = (name) => {
    if (name === "light" || name === "dark") root.dataset.theme = name;
    else delete root.dataset.theme;
    const button = document.getElementById("theme");
    if (button) button.setAttribute("aria-label", `light or dark: now ${name === "system" ? "as the system" : name}`);
  };
  const theme = () => (themes.includes(store.get("wrongbit-theme")) ? store.get("wrongbit-theme") : "system");
  const nextTheme = () => {
    const name = themes[(themes.indexOf(theme()) + 1) % themes.length];
    store.set("wrongbit-theme", name);
    showTheme(name);
    tell(name === "system" ? "Light or dark as the system is." : `Now ${name}.`);
  };
  showTheme(theme());
  window.addEventListener("storage", () => showTheme(theme()));

  // A message at the edge of the page, as text.
  const tell = (text, bad) => {
    const place = document.getElementById("told");
    if (!place) return;
    const line = document.createElement("div");
    line.className = bad ? "wb-told-line wb-told-bad" : "wb-told-line";
    const words = document.createElement("span");
    words.textContent = text;
    const close = document.createElement("button");
    close.type = "button";
    close.className = "wb-button wb-small";
    close.textContent = "close";
    close.addEventListener("click", () => line.remove());
    line.append(words, close);
    place.append(line);
    // A mistake stays until it is closed: there may be much to read.
    if (!bad) setTimeout(() => line.remove(), 5000);
  };

  const copy = async (text) => {
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      const field = document.createElement("textarea");
      field.value = text;
      document.body.append(field);
      field.select();
      document.execCommand("copy");
      field.remove();
    }
    tell(`Copied: ${text.length > 60 ? text.slice(0, 57) + "…" : text}`);
  };

  const fill = (id, value) => {
    const field = document.getElementById(`c${id}`);
    if (field) field.value = value;
  };

  window.wrongbit = { tell, copy, fill };

  const help = () => document.getElementById("help");
  const openHelp = () => help() && !help().open && help().showModal();

  document.addEventListener("click", (event) => {
    const target = event.target.closest ? event.target.closest("button, a") : null;
    if (!target) return;
    if (target.dataset.copy !== undefined) copy(target.dataset.copy);
    else if (target.id === "theme") nextTheme();
    else if (target.id === "keys") openHelp();
    else if (target.id === "close-help") help().close();
    else if (target.id === "print") window.print();
    else if (target.classList.contains("wb-skip")) {
      event.preventDefault();
      document.getElementById("page").focus();
    }
  });

  const typing = (element) =>
    element && (element.isContentEditable || ["INPUT", "TEXTAREA", "SELECT"].includes(element.tagName));

  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || event.isComposing || typing(event.target)) return;
    if (document.querySelector("dialog[open]")) return;
    if (event.key === "?") openHelp();
    else if (event.key === "d") nextTheme();
    else if (event.key === "/") {
      const field = document.querySelector("main input[type=search]");
      if (!field) return;
      field.focus();
    } else {
      const entry = [...document.querySelectorAll("[data-key]")].find((each) => each.dataset.key === event.key);
      if (!entry) return;
      entry.click();
    }
    event.preventDefault();
  });

  // A drawing's parts that can be chosen work with the keyboard as buttons do.
  document.addEventListener("keydown", (event) => {
    const part = event.target;
    if ((event.key === "Enter" || event.key === " ") && part.closest && part.closest("svg [role=button]")) {
      event.preventDefault();
      part.closest("svg [role=button]").dispatchEvent(new MouseEvent("click", { bubbles: true }));
    }
  });
})();
