// What the browser tests ask of a page: is everything named, well built, large enough and easy to read?
const reached = {}; // how far each sound was heard, also one that is over by the time somebody asks
document.addEventListener('timeupdate', ({ target }) => {
  const name = target.currentSrc.split('/').pop().split('?')[0];
  reached[name] = Math.max(reached[name] || 0, target.currentTime);
}, true);

window.probe = {
  reached: (name) => reached[name] || 0,

  focused: () => {
    const e = document.activeElement;
    if (!e || e === document.body) return null;
    const style = getComputedStyle(e);
    const name = e.getAttribute('aria-label') || e.innerText || [...(e.labels || [])].map((l) => l.innerText).join(' ') || e.name || '';
    return { name, seen: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2,
      top: Math.round(e.getBoundingClientRect().top + scrollY), static: !!e.closest('form.decide p, #sign') };
  },

  nameless: () => [...document.querySelectorAll('input, select, textarea, button, a[href], [role=slider], audio[controls], img, dialog')].filter((e) => {
    if (e.closest('[hidden], dialog:not([open])') || e.getAttribute('aria-hidden') === 'true' || e.closest('[aria-hidden=true]')) return false;
    const by = (e.getAttribute('aria-labelledby') || '').split(' ').map((id) => document.getElementById(id)?.innerText || '').join('');
    const labels = [...(e.labels || [])].map((l) => l.innerText).join('');
    return !(e.getAttribute('aria-label') || by || labels || e.innerText || e.alt || '').trim();
  }).map((e) => e.outerHTML.slice(0, 120)),

  misbuilt: () => {
    const wrong = [];
    if (!document.documentElement.lang) wrong.push('no language');
    if (!document.title) wrong.push('no title');
    if (document.querySelectorAll('main').length !== 1) wrong.push('not one main');
    if (document.querySelectorAll('h1').length !== 1) wrong.push('not one h1');
    let last = 1;
    for (const h of document.querySelectorAll('main :is(h1,h2,h3,h4,h5,h6)')) {
      const level = Number(h.tagName[1]);
      if (level > last + 1) wrong.push(`h${last} is followed by h${level}: ${h.innerText}`);
      last = level;
    }
    const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
    for (const id of ids) if (ids.indexOf(id) !== ids.lastIndexOf(id)) wrong.push(`two things are #${id}`);
    for (const e of document.querySelectorAll('[aria-labelledby], [aria-describedby]'))
      for (const id of `${e.getAttribute('aria-labelledby') || ''} ${e.getAttribute('aria-describedby') || ''}`.trim().split(/\s+/))
        if (!document.getElementById(id)) wrong.push(`nothing is #${id}`);
    for (const e of document.querySelectorAll('[role=slider]'))
      for (const name of ['aria-valuemin', 'aria-valuemax', 'aria-valuenow', 'aria-valuetext'])
        if (!e.hasAttribute(name)) wrong.push(`a slider without ${name}`);
    return wrong;
  },

  tooSmall: () => [...document.querySelectorAll('button, select, [role=slider]')].filter((e) => e.offsetParent).filter((e) => {
    const box = e.getBoundingClientRect();
    return box.height < 24 || box.width < 24;
  }).map((e) => e.outerHTML.slice(0, 100)),

  // Contrast of every visible text with what is behind it, after WCAG 2.1: 4.5, or 3 for large text (published formula).
  faint: () => {
    const rgb = (text) => (text.match(/[\d.]+/g) || []).map(Number);
    const light = ([r, g, b]) => [r, g, b].map((v) => v / 255).map((v) => (v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
      .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
    const behind = (e) => {
      for (let at = e; at; at = at.parentElement) {
        const colour = rgb(getComputedStyle(at).backgroundColor);
        if (colour.length === 3 || colour[3] === 1) return colour;
      }
      return rgb(getComputedStyle(document.body).backgroundColor);
    };
    const faint = [];
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
      const e = walker.currentNode.parentElement;
      if (!walker.currentNode.textContent.trim() || !e.offsetParent || e.closest(':disabled, .handle, script')) continue;
      const label = e.closest('label');
      if (label?.control?.disabled) continue;
      const style = getComputedStyle(e);
      if (style.visibility === 'hidden') continue;
      const [a, b] = [light(rgb(style.color)), light(behind(e))];
      const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
      const size = parseFloat(style.fontSize);
      const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
      if (ratio < (large ? 3 : 4.5)) faint.push(`${ratio.toFixed(2)}: ${walker.currentNode.textContent.trim().slice(0, 60)}`);
    }
    return faint;
  },
};
