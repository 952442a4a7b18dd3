/** `<record-form>`: the fields of one record or command, with the service's complaints at the field they belong to. */
import { h } from '../dom.js';
import { NoAnswer, Problem } from '../api.js';
import { T } from '../texts.js';
import { together, Wrong } from './fields.js';

/** @typedef {import('./fields.js').Field} Field */

export class RecordForm extends HTMLElement {
  /** @type {ReturnType<typeof together>|null} */
  #inner = null;
  #say = h('p', { class: 'error form-error', role: 'alert', hidden: true });

  /**
   * Lays out the fields with what is known already.
   * @param {Field[]} fields @param {any} [value]
   */
  begin(fields, value = {}) {
    this.#inner = together(fields, value);
    this.replaceChildren(this.#say, h('div', { class: 'fields' }, this.#inner.elements));
    // Whoever opens a form to note a weight types it first.
    if (fields[0]?.kind === 'weight') this.querySelector('input[name="gross"]')?.setAttribute('autofocus', '');
  }

  /** The values in the service's form, or null when something cannot be read (shown at its field). */
  read() {
    this.clear();
    try {
      return this.#inner?.read() ?? {};
    } catch (error) {
      if (!(error instanceof Wrong)) throw error;
      this.#toFirstError();
      return null;
    }
  }

  clear() {
    this.#say.hidden = true;
    this.#inner?.clear();
  }

  /**
   * Shows why something was refused; every typed value stays.
   * @param {unknown} error
   */
  refuse(error) {
    const rest = [];
    if (error instanceof Problem) {
      for (const each of error.errors) {
        const path = each.pointer.replace(/^#?\//, '').split('/').map((part) => part.replace(/~1/g, '/').replace(/~0/g, '~'));
        if (!this.#inner?.blame(path, each.detail)) rest.push(each.detail);
      }
      if (error.errors.length === 0) rest.push(error.status === 412 ? T.form.changedSince : error.message);
    } else {
      rest.push(error instanceof NoAnswer ? T.form.noAnswer : String(error));
    }
    this.#say.textContent = rest.join(' ');
    // In a window of its own, so that what was typed stays here.
    if (error instanceof Problem && error.slug === 'sign-in') this.#say.replaceChildren(T.access.signInBeside, ' ', h('a', { href: `/sign-in?then=${encodeURIComponent(location.pathname + location.search)}`, target: '_blank' }, T.access.signIn));
    this.#say.hidden = rest.length === 0;
    this.#toFirstError();
  }

  #toFirstError() {
    const box = [...this.querySelectorAll('.box > .error')].find((each) => each instanceof HTMLElement && !each.hidden)?.parentElement;
    const wrong = this.querySelector('[aria-invalid="true"]') ?? box?.querySelector('input:not([type="radio"]), select, button');
    if (wrong instanceof HTMLElement) wrong.focus();
    else if (!this.#say.hidden) this.#say.scrollIntoView({ block: 'nearest' });
  }
}

customElements.define('record-form', RecordForm);
