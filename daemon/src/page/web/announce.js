// What a screen reader is to say: one after the other, so that of two things that happen together neither is lost.

/** Lines that stay: what is added is read, what is taken away isn't. */
const MOST = 5;

/** Says it in a live region. */
export function announce(region, words) {
  const line = document.createElement("p");
  line.textContent = words;
  region.append(line);
  while (region.children.length > MOST) {
    region.firstElementChild.remove();
  }
}
