// What every page does: light or dark, ages that keep counting, and news that never move what is being read.
"use strict";
(() => {
  const body = document.body;
  const byId = (id) => document.getElementById(id);

  // ---- light or dark ------------------------------------------------------------------------------------
  const look = byId("look");
  if (look) {
    for (const extra of document.querySelectorAll("[data-hide-with-script]")) extra.hidden = true;
    look.addEventListener("change", () => {
      document.documentElement.dataset.theme = look.value;
      document.cookie = `look=${look.value};path=/;max-age=31536000;samesite=lax`;
      document.dispatchEvent(new Event("lookchange"));
    });
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () =>
    document.dispatchEvent(new Event("lookchange")));

  for (const button of document.querySelectorAll("[data-print]")) button.addEventListener("click", () => print());

  // ---- a part that is looked at anew while something is at work -------------------------------------------
  async function watch(id) {
    const part = byId(id);
    if (!part || !part.dataset.watch) return;
    await new Promise((done) => setTimeout(done, 1000 * Number(part.dataset.watch)));
    try {
      const response = await fetch(location.pathname + location.search);
      const page = new DOMParser().parseFromString(await response.text(), "text/html");
      const anew = page.getElementById(id);
      if (response.ok && anew) {
        if (!part.contains(document.activeElement) || !anew.dataset.watch) part.innerHTML = anew.innerHTML;
        if (!anew.dataset.watch) delete part.dataset.watch;
      }
    } catch { /* asked again below */ }
    watch(id);
  }
  for (const part of document.querySelectorAll("[data-watch]")) watch(part.id);

  // ---- ages ---------------------------------------------------------------------------------------------
  // The server's clock at the moment of the page counts, not the device's, which may be wrong.
  let served = Number(body.dataset.now || 0);
  let servedAt = performance.now();
  const nowSeconds = () => served + (performance.now() - servedAt) / 1000;
  function age(seconds) {
    for (const [size, least, unit] of [[86400, 172800, "days"], [3600, 7200, "h"], [60, 90, "min"]]) {
      if (seconds >= least) return `${Math.round(seconds / size)} ${unit}`;
    }
    return `${Math.round(seconds)} s`;
  }
  function countAges() {
    if (!served) return;
    for (const item of document.querySelectorAll("[data-since]")) {
      const gap = nowSeconds() - Number(item.dataset.since);
      const text = gap >= 0 ? `${age(gap)} ago` : `in ${age(-gap)}`;
      if (item.textContent !== text) item.textContent = text;
    }
    for (const item of document.querySelectorAll("[data-old-at]")) {
      const isOld = nowSeconds() > Number(item.dataset.oldAt);
      item.classList.toggle("old", isOld);
      const word = item.querySelector(".old-word");
      if (word) word.hidden = !isOld;
    }
  }
  countAges();
  setInterval(countAges, 1000);

  // ---- what was typed is kept until it has been taken ---------------------------------------------------
  const form = (key) => [...document.forms].find((one) => one.getAttribute("action") === key);
  const KEPT = "typed";
  const keep = {
    get: (name) => { try { return JSON.parse(sessionStorage.getItem(name)); } catch { return null; } },
    put: (name, value) => { try { sessionStorage.setItem(name, JSON.stringify(value)); } catch { /* a full store costs the comfort only */ } },
  };
  addEventListener("submit", (event) => {
    const one = event.target;
    if (one.method !== "post" || one.querySelector("[type=password]") || /^\/log/.test(one.getAttribute("action"))) return;
    const fields = [...new FormData(one)].filter(([name]) => name !== "csrf" && name !== "back");
    keep.put(KEPT, { path: location.pathname, action: one.getAttribute("action"), fields });
  });
  const typed = keep.get(KEPT);
  if (typed && new URLSearchParams(location.search).has("said")) keep.put(KEPT, null);
  else if (typed && typed.path === location.pathname && form(typed.action)) {
    const again = form(typed.action);
    for (const field of again.elements) {
      const values = typed.fields.filter(([name]) => name === field.name).map(([, value]) => value);
      if (!field.name || !values.length) continue;
      if (field.type === "checkbox" || field.type === "radio") field.checked = values.includes(field.value);
      else if (field.type !== "hidden" && field.type !== "submit") field.value = values[0];
    }
    const fold = again.closest("details");
    if (fold) fold.open = true;
    keep.put(KEPT, null);
  }
  for (const back of document.querySelectorAll("[data-back]")) {
    if (typed) back.href = typed.path;
  }

  const choose = byId("choose");
  if (choose && innerWidth < 768 && !/[?&](q|zone|condition|state|priority)=[^&]/.test(location.search)) choose.open = false;

  // ---- choosing several --------------------------------------------------------------------------------
  function tellChosen() {
    const told = byId("chosen");
    if (!told) return;
    const n = [...document.querySelectorAll("[name=ids]:checked")].reduce((sum, one) => sum + one.value.split(",").length, 0);
    told.textContent = n ? `${n} chosen` : "None chosen";
  }
  addEventListener("change", (event) => {
    if (event.target.matches("[data-all]")) {
      for (const one of document.querySelectorAll("[name=ids]")) {
        if (!one.closest("details:not([open])")) one.checked = event.target.checked;
      }
    }
    tellChosen();
  });
  tellChosen();

  // ---- news ---------------------------------------------------------------------------------------------
  const events = body.dataset.events;
  if (!events) return;
  const EACH_MS = 2000, GONE_MS = 2500, LATE_MS = 8000, PARTS_MS = 15000, NAMED = 3;
  const dock = byId("dock"), bar = byId("news"), barText = byId("news-text"), barList = byId("news-list"), spoken = byId("spoken");
  const troubleBox = byId("troubles"), live = byId("live");
  const isList = Boolean(byId("together") || document.querySelector(".alerts.dense") || document.querySelector("h1.call")) && location.pathname === "/";
  const isWall = body.classList.contains("wall");
  const bareTitle = document.title.slice((body.dataset.titleCounts || "").length);
  let known = Number(body.dataset.change || 0);
  let seen = keep.get("seen");                       // ids of open alerts that somebody at this window has seen
  let open = [];                                     // [id, priority] of all that is open, newest first
  let fresh = [];                                    // those of them that nobody here has seen
  let words = new Map();                             // id to what /news said of it
  let lastWord = performance.now(), lastWordS = served, failures = 0, isOver = false, timer = 0, isAsking = false, askAgain = false;
  let lastTouch = 0;
  for (const kind of ["pointermove", "keydown", "wheel"]) {
    addEventListener(kind, () => { lastTouch = Date.now(); }, { passive: true });
  }
  const isAllShown = () => location.pathname === "/" && !new URLSearchParams(location.search).toString().replace(/(^|&)(said|n|wall|sort)=[^&]*/g, "");

  function put(node, text) { if (node && node.textContent !== text) node.textContent = text; }
  function show(troubles) {
    const own = [];
    if (isOver) own.push({ key: "over", kind: "bad", title: "Your session is over.", text: "Nothing here is kept up to date any more.",
      since: lastWordS, href: `/login?next=${encodeURIComponent(location.pathname + location.search)}`, link: "Sign in" });
    else if (failures >= 2) own.push({ key: "gone", kind: "bad", title: "The service does not answer.",
      text: "What stands here is what was known at its last word.", since: lastWordS });
    body.classList.toggle("service-gone", own.length > 0);
    const all = [...own, ...(own.length ? [] : troubles)];
    const there = new Map([...troubleBox.children].map((node) => [node.dataset.key, node]));
    for (const [key, node] of there) if (!all.some((one) => one.key === key)) node.remove();
    for (const one of all) {
      const node = there.get(one.key) || document.createElement("div");
      const said = `${one.title} ${one.text}`;
      if (node.dataset.said === said) continue;
      node.className = `trouble ${one.kind}`;
      node.dataset.key = one.key;
      node.dataset.said = said;
      const p = document.createElement("p"), b = document.createElement("b");
      b.textContent = one.title;
      p.append(b, ` ${one.text}`);
      if (one.since) {
        const since = document.createElement("span");
        since.dataset.since = one.since;
        const at = new Date(one.since * 1000);
        p.append(` Last word ${Math.abs(nowSeconds() - one.since) < 86400 ? `at ${at.toTimeString().slice(0, 8)}` : ""}, `, since, ".");
      }
      if (one.href) {
        const a = document.createElement("a");
        a.href = one.href;
        a.textContent = one.link;
        p.append(" ", a);
      }
      node.replaceChildren(p);
      if (!node.isConnected) troubleBox.append(node);
    }
    countAges();
  }
  function counts(answer) {
    put(document.querySelector("[data-live=call]"), answer.call);
    put(document.querySelector("[data-live=call_more]"), answer.call_more);
    for (const item of document.querySelectorAll("[data-count]")) {
      const n = answer.counts[item.dataset.count];
      put(item.querySelector("b"), String(n));
      item.className = `${n ? `tone-${item.dataset.tone}` : "tone-none"}${n || item.dataset.tone !== "none" ? "" : " is-zero"}`;
    }
    let title = answer.title + bareTitle;
    if (document.querySelector("[data-live=call]")) title = `${answer.title}${answer.call} · Steadyhead`;
    if (document.title !== title) document.title = title;
  }
  async function tellNew() {
    const ids = new Set(open.map(([id]) => id));
    if (seen === null) seen = [...ids];
    if (isAllShown() && seen) for (const [id] of open) if (document.querySelector(`[data-alert="${CSS.escape(id)}"]`) && !seen.includes(id)) seen.push(id);
    seen = seen.filter((id) => ids.has(id));
    keep.put("seen", seen);
    const before = new Set(fresh.map(([id]) => id)), had = new Set(seen);
    fresh = open.filter(([id]) => !had.has(id));
    bar.hidden = !fresh.length;
    if (!fresh.length) { words.clear(); return; }
    const order = { high: 0, medium: 1, low: 2 };
    const named = [...fresh].sort((a, b) => order[a[1]] - order[b[1]]).slice(0, NAMED);
    const missing = named.map(([id]) => id).filter((id) => !words.has(id));
    if (missing.length) {
      try {
        const response = await fetch(`/news?ids=${missing.map(encodeURIComponent).join(",")}`, { headers: { Accept: "application/json" }, signal: AbortSignal.timeout(LATE_MS) });
        if (response.ok) for (const item of (await response.json()).alerts) words.set(item.alert_id, item);
      } catch { /* counted at least; named at the next word */ }
    }
    const of = { high: 0, medium: 0, low: 0 };
    for (const [, priority] of fresh) of[priority] += 1;
    const split = Object.entries(of).filter(([, n]) => n).map(([word, n]) => `${n} ${word}`).join(", ");
    put(barText, `${fresh.length} new alert${fresh.length === 1 ? "" : "s"}: ${split}`);
    const lines = named.filter(([id]) => words.has(id)).map(([id]) => {
      const item = words.get(id), li = document.createElement("li"), a = document.createElement("a"), since = document.createElement("span");
      li.className = `p-${item.priority}`;
      a.href = item.href;
      a.textContent = `${item.priority_words}: ${item.place}, ${item.condition}`;
      since.dataset.since = item.raised_s;
      li.dataset.new = id;
      li.append(a, ", raised ", since);
      return li;
    });
    if (lines.map((li) => li.dataset.new).join() !== [...barList.children].map((li) => li.dataset.new).join()) barList.replaceChildren(...lines);
    countAges();
    const added = fresh.filter(([id]) => !before.has(id));
    if (added.length) {
      const said = added.map(([id]) => words.get(id)).filter(Boolean).map((item) => `${item.place}: ${item.headline}. Priority ${item.priority_words.toLowerCase()}.`);
      put(spoken, `${added.length === 1 ? "New alert." : `${added.length} new alerts.`} ${said.join(" ")}`);
      document.dispatchEvent(new CustomEvent("newalerts", { detail: { priorities: added.map(([, p]) => p), said } }));
    }
  }
  async function ask() {
    if (isAsking) { askAgain = true; return; }
    isAsking = true;
    clearTimeout(timer);
    let troubles = null;
    try {
      const response = await fetch(`/now?zone=${encodeURIComponent(body.dataset.zone || "")}`, { headers: { Accept: "application/json" }, redirect: "manual", signal: AbortSignal.timeout(LATE_MS) });
      if (response.type === "opaqueredirect" || response.status === 401 || response.status === 403) { isOver = true; failures = 0; }
      else if (!response.ok) throw new Error(String(response.status));
      else {
        const answer = await response.json();
        const wasGone = isOver || failures >= 2;
        isOver = false;
        failures = 0;
        served = answer.now_s;
        document.dispatchEvent(new CustomEvent("clockset", { detail: answer.now_s }));
        lastWordS = answer.now_s;
        servedAt = lastWord = performance.now();
        if (live) put(live, answer.as_of ? `Readings up to ${answer.as_of}` : "No readings yet");
        troubles = answer.troubles;
        if (answer.open) {
          open = answer.open;
          counts(answer);
          if (answer.change_no > known || wasGone) {
            partsSoon();
            if (isWall && isList && Date.now() - lastTouch > 30000) renew(false);
          }
          known = Math.max(known, answer.change_no);
          await tellNew();
        }
      }
    } catch { failures += 1; }
    show(troubles || []);
    isAsking = false;
    clearTimeout(timer);
    timer = setTimeout(ask, askAgain ? 200 : failures ? GONE_MS : EACH_MS);
    askAgain = false;
  }
  let soonTimer = 0;
  function soon() {
    if (!soonTimer) soonTimer = setTimeout(() => { soonTimer = 0; ask(); }, 250);
  }

  // ---- parts that follow by themselves; their order, and what is focused or chosen, stays -----------------
  let partsTimer = 0, partsCost = 0, partsAt = performance.now(), isRenewing = false;
  function partsSoon() {
    if (!document.querySelector("[data-part]")) return;
    clearTimeout(partsTimer);
    partsTimer = setTimeout(parts, Math.max(300, partsAt + 4 * partsCost - performance.now()));
  }
  async function fetched() {
    const began = performance.now();
    const response = await fetch(location.pathname + location.search, { redirect: "manual", signal: AbortSignal.timeout(LATE_MS) });
    if (!response.ok) throw new Error(String(response.status));
    const page = new DOMParser().parseFromString(await response.text(), "text/html");
    partsAt = performance.now();
    partsCost = partsAt - began;
    return page;
  }
  const reachable = (node) => [...node.querySelectorAll("a, button, input, select, textarea, summary")];
  async function parts() {
    clearTimeout(partsTimer);
    partsTimer = setTimeout(parts, PARTS_MS);
    if (document.hidden || isOver) return;
    let page;
    try { page = await fetched(); } catch { return; }
    for (const old of document.querySelectorAll("[data-part]")) {
      const anew = page.querySelector(`[data-part="${CSS.escape(old.dataset.part)}"]`);
      if (!anew) {
        if (old.matches(".alert")) old.classList.add("left");
        continue;
      }
      const at = reachable(old).indexOf(document.activeElement);
      if (at >= 0 && document.activeElement.matches("textarea, input:not([type=checkbox]), select")) continue;
      if ([...old.querySelectorAll("details[open]")].length && old.querySelector("textarea")) continue;
      const mine = document.adoptNode(anew);
      const ticked = new Set([...old.querySelectorAll("input:checked")].map((one) => one.value));
      for (const one of mine.querySelectorAll("input[type=checkbox]")) one.checked = ticked.has(one.value);
      old.replaceWith(mine);
      if (at >= 0) reachable(mine)[at]?.focus({ preventScroll: true });
    }
    tellChosen();
    countAges();
  }
  if (document.querySelector("[data-part]")) partsTimer = setTimeout(parts, PARTS_MS);

  async function renew(byHand) {                      // the whole list, in its order of now
    if (isRenewing) return;
    isRenewing = true;
    try {
      const page = await fetched(), part = page.getElementById("fresh");
      if (!part) return;
      const ticked = new Set([...document.querySelectorAll("[name=ids]:checked")].map((one) => one.value));
      byId("fresh").replaceWith(document.adoptNode(part));
      for (const one of document.querySelectorAll("[name=ids]")) one.checked = ticked.has(one.value);
    } catch { return; } finally { isRenewing = false; }
    if (byHand || isAllShown()) noted();
    tellChosen();
    countAges();
    put(spoken, "The list is up to date.");
    if (byHand) {
      const heading = document.querySelector("#fresh h1");
      heading.tabIndex = -1;
      heading.focus();
    }
  }
  function noted() {
    seen = open.map(([id]) => id);
    keep.put("seen", seen);
    fresh = [];
    words.clear();
    bar.hidden = true;
  }
  byId("news-show").addEventListener("click", () => {
    if (isList) renew(true);
    else { noted(); location.assign("/"); }
  });
  byId("news-noted").addEventListener("click", noted);

  // ---- sound and notices of the browser: off until chosen -------------------------------------------------
  // Three, two or one beep for high, medium and low; again every ten seconds until silenced or noted.
  const TONES = { high: [3, 880], medium: [2, 660], low: [1, 440] }, AGAIN_MS = 10000;
  const soundButton = byId("sound"), noticeButton = byId("notify"), silence = byId("silence");
  const chosen = (name) => { try { return localStorage.getItem(name) === "on"; } catch { return false; } };
  const choose_ = (name, isOn) => { try { localStorage.setItem(name, isOn ? "on" : "off"); } catch { /* for this page only */ } };
  let isSound = chosen("sound"), isNotice = chosen("notices") && window.Notification?.permission === "granted";
  let speaker = null, soundTimer = 0;
  function label() {
    soundButton.textContent = isSound ? "Sound on" : "Sound off";
    noticeButton.textContent = isNotice ? "Notices on" : "Notices off";
    soundButton.setAttribute("aria-pressed", String(isSound));
    noticeButton.setAttribute("aria-pressed", String(isNotice));
  }
  function beep() {
    const worst = ["high", "medium", "low"].find((word) => fresh.some(([, priority]) => priority === word));
    clearTimeout(soundTimer);
    silence.hidden = !(isSound && worst);
    if (!isSound || !worst) return;
    const [n, pitch] = TONES[worst];
    try {
      speaker ??= new AudioContext();
      for (let i = 0; i < n; i++) {
        const tone = speaker.createOscillator(), level = speaker.createGain(), at = speaker.currentTime + i * 0.35;
        tone.frequency.value = pitch;
        level.gain.setValueAtTime(0.2, at);
        level.gain.exponentialRampToValueAtTime(0.001, at + 0.25);
        tone.connect(level).connect(speaker.destination);
        tone.start(at);
        tone.stop(at + 0.26);
      }
    } catch { /* a window without a speaker is silent; the bar says the same */ }
    body.dataset.sounded = worst;
    soundTimer = setTimeout(beep, AGAIN_MS);
  }
  function hush() {
    clearTimeout(soundTimer);
    silence.hidden = true;
    delete body.dataset.sounded;
  }
  soundButton.hidden = false;
  noticeButton.hidden = !window.Notification;
  label();
  soundButton.addEventListener("click", () => { isSound = !isSound; choose_("sound", isSound); label(); if (isSound) beep(); else hush(); });
  noticeButton.addEventListener("click", async () => {
    isNotice = !isNotice && await Notification.requestPermission() === "granted";
    choose_("notices", isNotice);
    label();
  });
  silence.addEventListener("click", hush);
  byId("news-noted").addEventListener("click", hush);
  byId("news-show").addEventListener("click", hush);
  document.addEventListener("newalerts", (event) => {
    beep();
    if (isNotice && document.hidden) new Notification(`${event.detail.priorities.length} new, worst ${fresh.map(([, p]) => p).sort((a, b) => TONES[b][0] - TONES[a][0])[0]}`, { body: event.detail.said.slice(0, 3).join("\n"), tag: "alerts" });
  });

  // It asks, and holds no stream open: a browser has six connections to a service for all its windows together,
  // so a sixth window with a stream would leave none to ask with.
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { soon(); partsSoon(); } });
  ask();
})();
