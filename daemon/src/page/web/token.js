// The token: from behind the address's #, which no browser sends anywhere, into this tab's own storage, and out of the address.

const PLACE = "settled-token";
const FORM = /^#([A-Za-z0-9_-]{16,128})$/;

/** The token, or null if this tab has been given none. */
export function token() {
  const told = FORM.exec(location.hash);
  if (told) {
    sessionStorage.setItem(PLACE, told[1]);
    history.replaceState(null, "", location.pathname);
  }
  return sessionStorage.getItem(PLACE);
}

/** Whether the address has just been given another one. */
export function isTold() {
  return FORM.test(location.hash);
}
