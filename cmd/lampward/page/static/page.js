"use strict";
// Keeps the page fresh: the server sends newer versions of its parts, and this
// script puts them in place. Without it the page still works.
(() => {
  const body = document.body;
  const $ = (s, from = document) => from.querySelector(s);
  const $$ = (s, from = document) => [...from.querySelectorAll(s)];
  let skew = Number(body.dataset.now) - Date.now(); // lampward's clock, less this one's

  // The server writes times in the reader's zone once it knows it.
  try {
    const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
    if (zone && zone !== body.dataset.zone) {
      document.cookie = "zone=" + encodeURIComponent(zone) + ";path=/;max-age=31536000;samesite=lax";
      if (!sessionStorage.getItem("zone-told")) {
        sessionStorage.setItem("zone-told", "1");
        location.reload();
        return;
      }
    }
  } catch { /* no storage: the server's zone will do */ }

  const long = (ms) => {
    const s = Math.max(0, Math.floor(ms / 1000)), m = Math.floor(s / 60), h = Math.floor(m / 60), d = Math.floor(h / 24);
    const two = (a, ua, b, ub) => a + " " + ua + (b ? " " + b + " " + ub : "");
    if (s < 120) return s + " s";
    if (m < 120) return m + " min";
    if (h < 48) return two(h, "h", m % 60, "min");
    return d < 60 ? two(d, "d", h % 24, "h") : d + " days";
  };
  const ages = () => {
    const now = Date.now() + skew;
    for (const e of $$("[data-age]")) {
      const ms = now - Number(e.dataset.age);
      const text = ms < 0 && ms > -3000 ? "0 s ago" : ms < 0 ? "in " + long(-ms) : long(ms) + " ago";
      if (e.textContent !== text) e.textContent = text;
    }
    for (const e of $$("[data-for]")) {
      const text = long(now - Number(e.dataset.for));
      if (e.textContent !== text) e.textContent = text;
    }
  };
  setInterval(ages, 1000);

  // Parts.
  const late = new Map(); // those that wait until the person has left a field in them
  const focusable = "a[href],button,input,select,summary,[tabindex]";
  const says = (e) => e.getAttribute("aria-label") || e.textContent;
  const place = (name, html) => {
    const old = $('[data-part="' + CSS.escape(name) + '"]');
    if (!old) return;
    const active = old.contains(document.activeElement) ? document.activeElement : null;
    if (body.classList.contains("dragging") || active && active.matches("input:not([type=hidden]),select")) {
      late.set(name, html);
      return;
    }
    const at = active ? $$(focusable, old).indexOf(active) : -1;
    const label = active && says(active);
    const row = active && active.closest("li[data-part]");
    const box = document.createElement("template");
    box.innerHTML = html;
    if (box.innerHTML === old.innerHTML) return; // so that nothing is read out twice
    const open = $$("details[open]", old).map((d) => d.id);
    old.replaceChildren(box.content);
    for (const d of $$("details", old)) d.open = open.includes(d.id);
    if (old.dataset.part !== "list" && old.tagName === "LI") {
      old.classList.remove("fresh");
      void old.offsetWidth;
      old.classList.add("fresh");
    }
    if (active) {
      const now = $$(focusable, old);
      const same = now[at] && says(now[at]) === label ? now[at] : now.find((e) => says(e) === label);
      // A button that is gone leaves the focus with what it was about, not with
      // the like of it, which is about something else.
      const link = row && $('[data-part="' + CSS.escape(row.dataset.part) + '"] a');
      (same || link || $("#main")).focus({ preventScroll: true });
    }
    if (name === "list") find();
    const waits = $("[data-waiting]"), n = waits ? Number(waits.dataset.waiting) : 0;
    if (waits) document.title = (n ? "(" + n + ") " : "") + document.title.replace(/^\(\d+\) /, "");
    hands();
  };
  const settle = () => {
    for (const [name, html] of [...late]) { late.delete(name); place(name, html); }
  };
  document.addEventListener("focusout", () => setTimeout(settle, 0));

  // Live.
  const sign = $("#link-state");
  const tell = (text, off) => {
    sign.hidden = false;
    sign.classList.toggle("off", off);
    if (sign.textContent !== text) sign.textContent = text;
  };
  let source, watchdog, wait = 1000, mark = body.dataset.mark, quiet = 25000;
  const alive = () => {
    clearTimeout(watchdog);
    watchdog = setTimeout(() => retry(), quiet);
    wait = 1000;
    tell("● live", false);
  };
  const retry = () => {
    if (source) source.close();
    source = null;
    clearTimeout(watchdog);
    tell("▲ Connection lost. Trying again…", true);
    watchdog = setTimeout(connect, wait);
    wait = Math.min(wait * 2, 30000);
  };
  const connect = () => {
    clearTimeout(watchdog);
    source = new EventSource(body.dataset.live + "&mark=" + encodeURIComponent(mark));
    watchdog = setTimeout(() => retry(), quiet);
    source.addEventListener("beat", (e) => { quiet = 2.5 * JSON.parse(e.data).every; alive(); });
    source.addEventListener("mark", (e) => { mark = JSON.parse(e.data); alive(); });
    source.addEventListener("part", (e) => {
      const p = JSON.parse(e.data);
      skew = p.now - Date.now();
      place(p.part, p.html);
      ages();
      alive();
    });
    source.onerror = () => retry();
  };
  if (body.dataset.live) {
    connect();
    addEventListener("online", () => { if (!source) { wait = 1000; connect(); } });
    document.addEventListener("visibilitychange", () => { if (!document.hidden && !source) { wait = 1000; connect(); } });
  }

  // Forms.
  const said = $("#said");
  let hush;
  const say = (text = "", bad) => {
    said.hidden = false;
    said.textContent = (bad ? "▲ " : "") + text;
    clearTimeout(hush);
    hush = setTimeout(() => { said.hidden = true; said.textContent = ""; }, (bad ? 20000 : 8000) + 60 * text.length); // long enough to be read
  };
  if (said.textContent) say(said.textContent, false);
  document.addEventListener("submit", async (e) => {
    const form = e.target;
    if (!form.hasAttribute("data-act")) return;
    e.preventDefault();
    const data = new URLSearchParams(new FormData(form, e.submitter));
    const button = e.submitter || $("button", form);
    if (button.hasAttribute("aria-disabled")) return;
    button.setAttribute("aria-disabled", "true"); // "disabled" would take the focus away
    try {
      const answer = await fetch(form.action, { method: "POST", body: data, headers: { Accept: "application/json" } });
      const out = await answer.json().catch(() => ({ error: "lampward answered " + answer.status }));
      if (answer.status === 401) { location.href = "/login?to=" + encodeURIComponent(location.pathname + location.search); return; }
      if (answer.status === 409) { form.submit(); return; } // something came that this page does not show: asked without a script, it comes anew
      say(out.said || out.error, !answer.ok);
      if (answer.ok && form.dataset.act === "reload") setTimeout(() => location.reload(), 600);
    } catch {
      say("lampward cannot be reached; nothing was done.", true);
    } finally {
      button.removeAttribute("aria-disabled");
    }
  });

  // Find.
  const field = $("#find");
  const sought = new Set(); // folds that were opened for what is sought
  const find = () => {
    if (!field) return;
    const want = field.value.trim().toLowerCase();
    let n = 0;
    for (const e of $$("[data-find]")) {
      const hit = want === "" || e.dataset.find.toLowerCase().includes(want);
      e.parentElement.hidden = !hit;
      n += hit;
    }
    for (const g of $$(".group, .fold")) g.hidden = !$("[data-find]", g) || !$("li:not([hidden]) > [data-find]", g);
    // What is sought is shown, wherever it is folded away.
    for (const d of $$(".fold")) {
      if (want !== "" && !d.open) { d.open = true; sought.add(d.id); }
      if (want === "" && sought.delete(d.id)) d.open = false;
    }
    const said = want === "" ? "" : n === 0 ? "none found" : n + " found";
    if ($("#found").textContent !== said) $("#found").textContent = said;
  };
  if (field) field.addEventListener("input", find);

  // Levels by hand.
  const hand = $("#hand");
  const hands = () => body.classList.toggle("hand", Boolean(hand && hand.open));
  if (hand) {
    hand.addEventListener("toggle", hands);
    const level = { on: $("#on_above"), off: $("#off_below") };
    const scale = () => {
      const c = $(".chart");
      return { lo: Number(c.dataset.lo), hi: Number(c.dataset.hi), height: Number(c.dataset.height), top: $(".plot", c).getBoundingClientRect().top };
    };
    const draw = (which) => {
      const v = Number(level[which].value.replace(",", ".")), s = scale();
      const g = $('[data-level="' + which + '"]');
      if (!g || !Number.isFinite(v)) return;
      const y = s.height * (s.hi - v) / (s.hi - s.lo);
      const line = $("line", g), text = $("text", g), was = Number(line.getAttribute("y1"));
      line.setAttribute("y1", y);
      line.setAttribute("y2", y);
      text.setAttribute("y", Number(text.getAttribute("y")) + y - was);
      const band = $(".chart .deadband"), other = Number($('[data-level="' + (which === "on" ? "off" : "on") + '"] line').getAttribute("y1"));
      if (band) {
        band.setAttribute("y", Math.min(y, other));
        band.setAttribute("height", Math.abs(y - other));
      }
      text.textContent = text.textContent.replace(/\S+$/, level[which].value);
    };
    for (const which of ["on", "off"]) level[which].addEventListener("input", () => draw(which));
    let held = null;
    document.addEventListener("pointerdown", (e) => {
      if (!hand.open || !e.target.closest(".chart .plot")) return;
      const s = scale(), y = e.clientY - s.top;
      const off = (w) => { const l = $('[data-level="' + w + '"] line'); return l ? Math.abs(Number(l.getAttribute("y1")) - y) : Infinity; };
      const near = off("on") <= off("off") ? "on" : "off";
      if (off(near) > 24) return;
      held = near;
      body.classList.add("dragging");
      e.preventDefault();
    });
    document.addEventListener("pointermove", (e) => {
      if (!held) return;
      const s = scale();
      const v = s.hi - Math.min(s.height, Math.max(0, e.clientY - s.top)) / s.height * (s.hi - s.lo);
      level[held].value = Math.abs(s.hi - s.lo) > 100 ? String(Math.round(v)) : v.toFixed(1);
      draw(held);
    });
    const drop = () => { held = null; body.classList.remove("dragging"); settle(); };
    document.addEventListener("pointerup", drop);
    document.addEventListener("pointercancel", drop);
  }

  // A screen that goes dark is no help while aiming.
  if ($("#aim") && navigator.wakeLock) {
    const hold = () => { if (!document.hidden) navigator.wakeLock.request("screen").catch(() => {}); };
    hold();
    document.addEventListener("visibilitychange", hold);
  }
})();
