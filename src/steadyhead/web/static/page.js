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
  }
  setInterval(countAges, 15000);

  // ---- news ---------------------------------------------------------------------------------------------
  const events = body.dataset.events;
  if (!events) return;
  const bar = byId("news"), barText = byId("news-text"), show = byId("news-show"), spoken = byId("spoken");
  const live = byId("live");
  const isList = Boolean(byId("fresh"));
  const isWall = body.classList.contains("wall");
  let known = Number(body.dataset.change || 0);     // the newest change of any alert this page shows
  let newest = known;
  let troubles = body.dataset.troubles || "";
  const fresh = new Set();                          // ids that stand open and are not on this page
  const changed = new Set();                        // ids on this page that have changed
  const waiting = new Set();                        // ids heard of and not asked for yet
  let notice = "";                                  // what the service says of itself, if that has changed
  let timer = 0;
  let lastTouch = 0;
  for (const kind of ["pointermove", "keydown", "wheel"]) {
    addEventListener(kind, () => { lastTouch = Date.now(); }, { passive: true });
  }

  function onPage(id) {
    return document.querySelector(`[data-alert="${CSS.escape(id)}"]`) !== null;
  }
  function tell() {
    const n = fresh.size;
    const parts = notice ? [notice] : [];
    if (n) parts.push(`${n} new alert${n === 1 ? "" : "s"}`);
    if (changed.size) parts.push(isList ? `${changed.size} changed` : "this alert has changed");
    if (!parts.length) return;
    barText.textContent = parts.join(", ");
    show.textContent = isList || changed.size || notice ? "Show" : "Go to the alerts";
    bar.hidden = false;
    document.title = document.title.replace(/^\(\d+\) /, "");
    if (n) document.title = `(${n}) ${document.title}`;
    if (isWall && isList && Date.now() - lastTouch > 30000) refresh(false);
  }
  async function ask() {
    const ids = [...waiting].slice(0, 50);
    waiting.clear();
    let answer;
    try {
      const response = await fetch(`/news?ids=${ids.map(encodeURIComponent).join(",")}`, { headers: { Accept: "application/json" } });
      if (!response.ok) return;
      answer = await response.json();
    } catch { return; }
    if (live && answer.as_of) live.textContent = `Readings up to ${answer.as_of}`;
    if (answer.troubles !== troubles) {
      troubles = answer.troubles;
      notice = troubles || "The service is well again.";
      spoken.textContent = notice;
    }
    const said = [];
    for (const item of answer.alerts) {
      if (onPage(item.alert_id)) changed.add(item.alert_id);
      else if (item.is_open && !fresh.has(item.alert_id)) {
        fresh.add(item.alert_id);
        said.push(item.words);
      } else if (!item.is_open) fresh.delete(item.alert_id);
    }
    if (said.length) spoken.textContent = `New alert. ${said.slice(0, 3).join(" ")}${said.length > 3 ? ` And ${said.length - 3} more.` : ""}`;
    tell();
  }
  function soon() {
    clearTimeout(timer);
    timer = setTimeout(ask, 300);
  }
  async function refresh(byHand) {
    if (!isList || notice) {                        // notices stand outside of the list
      location.assign(isList || changed.size || notice ? location.pathname + location.search : "/");
      return;
    }
    try {
      const response = await fetch(location.href);
      if (!response.ok) return;
      const page = new DOMParser().parseFromString(await response.text(), "text/html");
      const part = page.getElementById("fresh");
      if (!part) return;
      byId("fresh").replaceWith(document.adoptNode(part));
      document.title = page.title;
      served = Number(page.body.dataset.now || 0);
      servedAt = performance.now();
      known = Math.max(newest, Number(page.body.dataset.change || 0));
    } catch { return; }
    fresh.clear();
    changed.clear();
    bar.hidden = true;
    spoken.textContent = "The list is up to date.";
    if (byHand) {
      const heading = document.querySelector("#fresh h1");
      heading.tabIndex = -1;
      heading.focus();
    }
  }
  show.addEventListener("click", () => refresh(true));

  const stream = new EventSource(`${events}?after=${known}`);
  let lost = 0;
  stream.addEventListener("hello", () => {
    clearTimeout(lost);
    lost = 0;
    body.dataset.live = "on";
    waiting.size ? soon() : 0;
  });
  stream.addEventListener("alert", (event) => {
    const data = JSON.parse(event.data);
    if (data.change_no <= known) return;
    newest = Math.max(newest, data.change_no);
    waiting.add(data.alert_id);
    soon();
  });
  stream.addEventListener("reload", () => {
    notice = "Much has changed.";
    tell();
  });
  stream.addEventListener("signed_out", () => {
    stream.close();
    barText.textContent = "You are signed out";
    show.textContent = "Sign in";
    bar.hidden = false;
    show.addEventListener("click", () => location.reload(), { capture: true });
  });
  stream.onerror = () => {
    body.dataset.live = "off";
    if (lost) return;
    lost = setTimeout(() => { if (live) live.textContent = "Live news stopped; trying again"; }, 8000);
  };
  addEventListener("pagehide", () => stream.close());
  setInterval(ask, 60000);                           // how fresh the readings are, and whether the service is well
})();
