// What is wrong with the page as it is shown, `width` CSS pixels wide and in a colour scheme: pairs of rule and detail.
(width, scheme) => {
  const LEAST_CONTRAST = 4.5; // WCAG 2.2, success criterion 1.4.3, whatever the size of the letters
  const LEAST_SIZE = 12;
  const LONGEST_WHOLE = 20;
  const WHOLE = /^[^\p{L}\d]*([\p{L}\d.+]+|\d{4}-\d\d-\d\d)[^\p{L}\d]*$/u;
  const flaws = [];
  const paint = document.createElement('canvas').getContext('2d', { willReadFrequently: true });

  // Any colour of CSS as red, green, blue and alpha, 0 to 1.
  const colour = text => {
    paint.clearRect(0, 0, 1, 1);
    paint.fillStyle = text;
    paint.fillRect(0, 0, 1, 1);
    return [...paint.getImageData(0, 0, 1, 1).data].map(part => part / 255);
  };
  const over = ([r, g, b, a], below) => [...[r, g, b].map((part, i) => part * a + below[i] * (1 - a)), 1];
  const canvas = (() => {
    const probe = document.body.appendChild(document.createElement('i'));
    probe.style.backgroundColor = 'Canvas';
    const found = colour(getComputedStyle(probe).backgroundColor);
    probe.remove();
    return found;
  })();
  const background = element => {
    if (!element) return canvas;
    const style = getComputedStyle(element);
    if (style.backgroundImage !== 'none') flaws.push(['no_background_pictures', style.backgroundImage]);
    const own = colour(style.backgroundColor);
    return own[3] === 1 ? own : over(own, background(element.parentElement));
  };
  // WCAG 2.2: relative luminance, contrast ratio.
  const luminance = ([r, g, b]) => {
    const [R, G, B] = [r, g, b].map(part => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4));
    return 0.2126 * R + 0.7152 * G + 0.0722 * B;
  };
  const contrast = (one, other) => {
    const [light, dark] = [luminance(one), luminance(other)].sort((a, b) => b - a);
    return (light + 0.05) / (dark + 0.05);
  };
  const faded = element => (element ? Number(getComputedStyle(element).opacity) * faded(element.parentElement) : 1);

  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let shown = 0;
  for (let node = texts.nextNode(); node; node = texts.nextNode()) {
    const words = node.data.trim();
    const holder = node.parentElement;
    if (!words || ['STYLE', 'SCRIPT', 'TITLE'].includes(holder.tagName)) continue;
    const what = words.slice(0, 60);
    const style = getComputedStyle(holder);
    const range = document.createRange();
    range.selectNodeContents(node);
    const boxes = [...range.getClientRects()].filter(box => box.width > 1 && box.height > 1);
    if (!boxes.length || style.visibility !== 'visible') {
      // Where cells stand below each other, the headings of columns may go.
      if (!holder.closest('thead')) flaws.push(['no_hidden_text', what]);
      continue;
    }
    shown += 1;
    const below = background(holder);
    const ink = colour(style.color);
    const ratio = contrast(over([...ink.slice(0, 3), ink[3] * faded(holder)], below), below);
    if (ratio < LEAST_CONTRAST) flaws.push(['enough_contrast', `${ratio.toFixed(2)}: ${what}`]);
    if (parseFloat(style.fontSize) < LEAST_SIZE) flaws.push(['letters_are_large_enough', `${style.fontSize}: ${what}`]);
    if (boxes.some(box => box.right > width + 1 || box.left < -1)) flaws.push(['text_stays_on_the_page', what]);
    for (const { 0: word, index } of node.data.matchAll(/\S+/g)) {
      range.setStart(node, index);
      range.setEnd(node, index + word.length);
      const lines = new Set([...range.getClientRects()].map(box => Math.round(box.top)));
      // A longer one may have to be broken, and a hyphen or a bracket within is there for it, but not in a date.
      const brittle = word.length <= LONGEST_WHOLE && WHOLE.test(word);
      if (brittle && lines.size > 1) flaws.push(['words_stay_whole', word]);
    }
  }
  if (!shown) flaws.push(['no_hidden_text', 'nothing is shown at all']);

  const page = document.scrollingElement;
  if (page.scrollWidth > width) flaws.push(['nothing_scrolls_sideways', `${page.scrollWidth} px wide`]);
  for (const element of document.body.querySelectorAll('*')) {
    const style = getComputedStyle(element);
    if (style.overflowX !== 'visible' && element.scrollWidth > element.clientWidth + 1) {
      flaws.push(['nothing_scrolls_sideways', `${element.tagName} is cut at ${element.clientWidth} px`]);
    }
  }
  for (const image of document.images) {
    const box = image.getBoundingClientRect();
    if (!image.complete || !image.naturalWidth) flaws.push(['pictures_are_there', image.alt || 'without an alternative']);
    if (box.right > width + 0.5) flaws.push(['pictures_stay_on_the_page', `${Math.round(box.right)} px`]);
  }
  const light = luminance(background(document.body));
  if (scheme === 'dark' ? light > 0.2 : light < 0.5) flaws.push(['as_light_or_dark_as_wished', `luminance ${light.toFixed(2)}`]);
  return flaws;
}
