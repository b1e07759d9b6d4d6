// What hinders somebody on the page that is open; a list of sentences, empty if nothing does.
() => {
  const found = [];
  const seen = (one) => one.checkVisibility({ opacityProperty: false, visibilityProperty: true })
    && one.getClientRects().length && !one.closest(".unseen") && !one.closest("details:not([open]) > :not(summary)");
  for (const one of document.querySelectorAll("input:not([type=hidden]), select, textarea")) {
    if (seen(one) && !one.labels.length && !one.getAttribute("aria-label")) found.push("no label: " + one.outerHTML.slice(0, 90));
  }
  for (const one of document.querySelectorAll("svg[role=img], img, svg[role=group]")) {
    if (!one.hasAttribute("alt") && !one.getAttribute("aria-label")) found.push("no words: " + one.outerHTML.slice(0, 90));
  }
  for (const one of document.querySelectorAll("a, button, select, textarea, summary, input:not([type=hidden])")) {
    if (!seen(one) || one.closest(".skip, svg")) continue;
    if (one.matches("p a, td a, dd a, .todo a, .trouble a") && getComputedStyle(one).display === "inline") continue;
    const touched = one.matches("input") && one.closest("label") ? one.closest("label") : one;
    const box = touched.getBoundingClientRect();
    if (Math.min(box.width, box.height) < LEAST - 0.5) found.push(`small: ${box.width.toFixed(0)} x ${box.height.toFixed(0)} ${one.outerHTML.slice(0, 90)}`);
    if (!one.textContent.trim() && !one.getAttribute("aria-label") && !one.querySelector("img[alt]:not([alt=''])") && one.matches("a, button")) found.push("no name: " + one.outerHTML.slice(0, 90));
  }
  const light = ([r, g, b]) => {
    const [x, y, z] = [r, g, b].map((v) => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
    return 0.2126 * x + 0.7152 * y + 0.0722 * z;
  };
  const parts = (text) => (text.match(/[\d.]+/g) ?? []).map(Number);
  const ground = (one) => {
    for (; one; one = one.parentElement) {
      const found = parts(getComputedStyle(one).backgroundColor);
      if (found.length === 3 || found[3] === 1) return found;
    }
    return [255, 255, 255];
  };
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    const one = texts.currentNode.parentElement;
    if (!texts.currentNode.textContent.trim() || !seen(one) || one.closest("svg.stage, script")) continue;
    const style = getComputedStyle(one);
    const ink = parts(one.closest("svg") ? style.fill : style.color);
    const [high, low] = [light(ink), light(ground(one))].sort((a, b) => b - a);
    const ratio = (high + 0.05) / (low + 0.05);
    const size = parseFloat(style.fontSize);
    const least = size >= 24 || (size >= 18.66 && style.fontWeight >= 700) ? 3 : 4.5;
    if (ratio < least && !one.closest("[disabled]")) found.push(`contrast ${ratio.toFixed(2)}: ${texts.currentNode.textContent.trim().slice(0, 40)}`);
  }
  if (document.documentElement.scrollWidth > innerWidth) found.push(`wider than the screen: ${document.documentElement.scrollWidth}`);
  const names = [...document.querySelectorAll("[id]")].map((one) => one.id);
  for (const name of names) if (names.filter((one) => one === name).length > 1) found.push("id twice: " + name);
  if (document.querySelectorAll("h1").length !== 1) found.push("headings of the first level: " + document.querySelectorAll("h1").length);
  return found;
}
