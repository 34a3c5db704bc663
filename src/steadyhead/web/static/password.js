// How hard a new password is to guess, roughly: by its length and by how much of it is no pattern. A hint while one
// types, nothing is sent anywhere; what is accepted the service decides.
"use strict";
(() => {
  const WORDS = ["Too short or too easy to guess", "Easy to guess", "Could be longer", "Good", "Very good"];
  const ROWS = ["abcdefghijklmnopqrstuvwxyz", "0123456789", "qwertyuiop", "asdfghjkl", "zxcvbnm", "qwertzuiop", "azertyuiop"];

  // Characters that follow from the one before (again the same, the next in a row) or repeat what stands before
  // count little; so does the account's name. What is left counts as guessed character by character.
  function surprises(text) {
    let found = 0;
    for (let i = 0; i < text.length; i++) {
      const pair = text.slice(i - 1, i + 1);
      const back = [...pair].reverse().join("");
      const follows = i > 0 && (pair[0] === pair[1] || ROWS.some((row) => row.includes(pair) || row.includes(back)));
      const repeats = i > 1 && text.slice(0, i - 1).includes(text.slice(i - 1, i + 1));
      found += follows || repeats ? 0.25 : 1;
    }
    return found;
  }
  function strength(password, name) {
    const text = password.toLowerCase().split(name.toLowerCase()).join("");
    if ([...password].length < 12 || new Set(text).size < 5) return 0;
    const kinds = [/[a-z]/, /[0-9]/, /[^a-z0-9]/].filter((kind) => kind.test(text)).length;
    const score = surprises(text) + 2 * (kinds - 1);
    return score < 10 ? 1 : score < 18 ? 2 : score < 26 ? 3 : 4;  // words are guessed in whole, so long ones it takes
  }
  for (const field of document.querySelectorAll("[data-strength]")) {
    const hint = document.getElementById(field.getAttribute("aria-describedby"));
    const [meter, words] = hint.children;
    field.addEventListener("input", () => {
      const value = strength(field.value, field.dataset.strength);
      hint.hidden = field.value === "";
      meter.value = value;
      if (words.textContent !== WORDS[value]) words.textContent = WORDS[value];
    });
  }
})();
