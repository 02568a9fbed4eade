// Whether whoever answers knows the token: the HMAC (RFC 2104, SHA-256) of a nonce that was never asked before, by the token.

/** What is signed before the nonce. */
const PROVES = "settled page, nonce ";

/** 128 random bits. */
export function nonce() {
  return hexadecimal(crypto.getRandomValues(new Uint8Array(16)));
}

/** Whether an answer proves it. */
export async function isProven(token, nonce, told) {
  const bytes = (text) => new TextEncoder().encode(text);
  const key = await crypto.subtle.importKey("raw", bytes(token), { name: "HMAC", hash: "SHA-256" }, false, ["sign"]);
  const proof = hexadecimal(new Uint8Array(await crypto.subtle.sign("HMAC", key, bytes(PROVES + nonce))));
  try {
    return JSON.parse(told).proof === proof;
  } catch {
    return false;
  }
}

function hexadecimal(bytes) {
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
