// Walks a resource and a tree of rules side by side and notes what is wrong.
//
// One Walk is one resource with everything in it; check() may be called for its type and again for
// each profile. A finding: {severity, code (FHIR issue-type), path, text, profile}.
// Source of the rules: R4 json.html (shape), profiling.html#slicing, references.html, terminologies.html#strength.

import { isPrimitive, resourceTypes } from '../definitions.mjs';
import { bindingProblem, loincProblem, unitProblem } from './codes.mjs';
import { judge } from './invariants.mjs';
import { primitiveProblem, shown } from './primitives.mjs';
import { treeOf } from './tree.mjs';
import { profilesOf } from './triggers.mjs';

const BASE = 'http://hl7.org/fhir/StructureDefinition/';
const QUANTITIES = ['Quantity', 'Age', 'Count', 'Distance', 'Duration'];

/** Names of all data types, by how they end a choice: "DateTime" -> "dateTime". */
const choiceTypes = new Map(
  treeOf('Extension').children.get('value[x]').types.map(({ code }) => [code[0].toUpperCase() + code.slice(1), code]),
);

const NOTHING = [];
const isObject = (value) => typeof value === 'object' && value !== null && !Array.isArray(value);

export class Walk {
  findings = [];
  #said = new Set();
  #evaluated = new Set();
  #resource; // %resource
  #root; // %rootResource: the one that contains it
  #entries; // fullUrl -> resource, inside a Bundle
  #profile; // whose rules are being walked, for the findings
  #warnings;
  #resolve;

  /** `warnings`: say those, too. `resolve(type, id)`: the resource a reference leads to, when it is known. */
  constructor({ warnings = false, resolve = () => undefined } = {}) {
    this.#warnings = warnings;
    this.#resolve = resolve;
  }

  /** A resource against its type and every profile it must meet. */
  resource(value, path, container) {
    if (!isObject(value)) return this.#say('structure', path, `${shown(value)} is not a resource`);
    if (!resourceTypes.has(value.resourceType)) return this.#say('structure', path, `${shown(value.resourceType)} is not a resource type of R4`);
    path ??= value.resourceType;
    const outside = [this.#resource, this.#root, this.#entries, this.#profile];
    this.#resource = value;
    this.#root = container ?? value;
    if (value.resourceType === 'Bundle') this.#entries = entriesOf(value);
    for (const url of [BASE + value.resourceType, ...profilesOf(value)]) {
      this.#profile = url;
      this.#object(treeOf(url), value.resourceType, value, path, true);
    }
    if (!container) this.#containedAreReferenced(value, path);
    [this.#resource, this.#root, this.#entries, this.#profile] = outside;
  }

  /** A complex value: its properties, then what its type and its place say about it as a whole. */
  #object(node, type, value, path, isResource = false) {
    const rules = node.children.size > 0 ? node.children : treeOf(type).children;
    const seen = new Set(isResource ? ['resourceType'] : []);
    for (const rule of rules.values()) {
      const items = rule.isChoice ? this.#choice(rule, rules, value, path, seen) : this.#named(rule, value, path, seen, isResource);
      this.#count(rule, items, path);
      for (const item of items) this.#item(rule, item);
      if (rule.slices.length > 0) this.#slices(rule, items, path);
    }
    for (const name of Object.keys(value)) {
      if (!seen.has(name)) this.#say('structure', `${path}.${name}`, 'is not a property here');
    }
    if (Object.keys(value).every((name) => name === 'id')) this.#say('invariant', path, 'ele-1: has neither a value nor children');
    this.#invariants(node, type, value, path, isResource);
  }

  /** The values of a property with one name, as items {type, value, side, path}. */
  #named(rule, object, path, seen, isResource) {
    const { name } = rule;
    const value = object[name];
    const side = rule.side && object[rule.side];
    if (value === undefined && side === undefined) return NOTHING;
    seen.add(name).add(rule.side);
    const type = isResource && name === 'id' ? 'id' : rule.type;
    const here = `${path}.${name}`;
    if (!rule.list) {
      if (Array.isArray(value)) this.#say('structure', here, 'must not be an array');
      return [{ type, value: Array.isArray(value) ? value[0] : value, side, path: here }];
    }
    if ((value !== undefined && !Array.isArray(value)) || (side !== undefined && !Array.isArray(side))) {
      this.#say('structure', here, 'must be an array');
      return [{ type, value, side, path: here }];
    }
    const length = Math.max(value?.length ?? 0, side?.length ?? 0);
    if (length === 0) this.#say('structure', here, 'is an empty array');
    // In an array null stands where only the other of value and side says something.
    return Array.from({ length }, (_, i) => ({ type, value: value?.[i] ?? undefined, side: side?.[i] ?? undefined, path: `${here}[${i}]` }));
  }

  /** The values of value[x] and the like: at most one name of its family. */
  #choice(rule, rules, object, path, seen) {
    const stem = rule.name.slice(0, -3);
    if (!Object.keys(object).some((name) => name.startsWith(stem) || name.startsWith(`_${stem}`))) return NOTHING;
    const allowed = rule.types.map(({ code }) => code);
    const items = new Map();
    for (const name of Object.keys(object)) {
      const plain = name.replace(/^_/, '');
      const type = plain.startsWith(stem) && !rules.has(plain) ? choiceTypes.get(plain.slice(stem.length)) : undefined;
      if (!type || (name !== plain && !isPrimitive(type))) continue;
      seen.add(name);
      const here = `${path}.${plain}`;
      if (!allowed.includes(type)) this.#say('structure', here, `${type} is not allowed for ${rule.name}; ${allowed.join(', ')} may stand here`);
      else items.set(plain, { type, value: object[plain], side: object[`_${plain}`], path: here });
    }
    if (items.size > 1) this.#say('structure', `${path}.${rule.name}`, `only one of ${[...items.keys()].join(', ')} may be there`);
    return [...items.values()].slice(0, items.size > 1 ? 1 : undefined);
  }

  #count(rule, items, path) {
    const name = rule.slice ? `${rule.name}:${rule.slice}` : rule.name;
    if (items.length < rule.min) this.#say('required', `${path}.${name}`, `at least ${rule.min} needed, ${items.length} found`);
    if (rule.max !== '*' && items.length > Number(rule.max)) {
      this.#say('structure', `${path}.${name}`, rule.max === '0' ? 'must not be there' : `at most ${rule.max} allowed, ${items.length} found`);
    }
  }

  /** One value against the rule for its place. */
  #item(rule, { type, value, side, path }) {
    if (type === 'Resource') return this.#inner(value, path);
    if (isPrimitive(type)) {
      if (side !== undefined) this.#side(side, path);
      if (value === undefined) return side === undefined && this.#say('structure', path, 'null is not a value');
      const problem = value === null ? 'null is not a value' : primitiveProblem(type, value);
      if (problem) return this.#say('value', path, problem);
    } else {
      if (!isObject(value)) return this.#say('structure', path, `${shown(value)} is not a JSON object, as ${type} must be`);
      this.#object(rule, type, value, path);
      this.#typeRules(rule, type, value, path);
    }
    this.#content(rule, type, value, path);
    if (isPrimitive(type)) this.#invariants(rule, type, value, path);
  }

  /** Fixed values, patterns, bindings. */
  #content({ fixed, pattern, binding }, type, value, path) {
    if (fixed !== undefined && !same(fixed, value)) this.#say('value', path, `must be ${shown(fixed)}, not ${shown(value)}`);
    if (pattern !== undefined && !includes(value, pattern)) this.#say('value', path, `must hold ${shown(pattern)}`);
    if (!binding || (binding.strength !== 'required' && !(this.#warnings && binding.strength === 'extensible'))) return;
    const problem = bindingProblem(binding, type, value);
    if (problem) this.#say('code-invalid', path, problem, binding.strength === 'required' ? 'error' : 'warning');
  }

  /** What some types bring along, wherever they stand. */
  #typeRules(rule, type, value, path) {
    const ruleType = rule.types?.find(({ code }) => code === type);
    for (const profile of ruleType?.profiles ?? []) {
      const tree = treeOf(profile);
      if (tree && type !== 'Extension') this.#object(tree, type, value, path);
    }
    if (type === 'Reference') this.#reference(ruleType?.targets, value, path);
    if (type === 'Extension') this.#extension(value, path);
    if (type === 'Coding') this.#sayIf('code-invalid', `${path}.code`, loincProblem(value));
    if (QUANTITIES.includes(type)) this.#sayIf('code-invalid', `${path}.code`, unitProblem(value));
  }

  #reference(targets, { reference, type }, path) {
    if (reference?.startsWith?.('#') && reference !== '#' && !this.#containedHere(reference)) {
      return this.#say('invariant', path, `ref-1: nothing with the id ${shown(reference.slice(1))} is contained`);
    }
    const found = this.#typeOf(reference) ?? type;
    if (!found || !targets || targets.includes(BASE + 'Resource')) return;
    const allowed = new Set(targets.map((url) => treeOf(url)?.type ?? url.split('/').pop()));
    if (!allowed.has(found)) return this.#say('structure', path, `refers to a ${found}; ${[...allowed].sort().join(', ')} may stand here`);
    if (!targets.includes(BASE + found)) this.#target(targets.filter((url) => treeOf(url)?.type === found), reference, path);
  }

  /** A target that must meet a profile (hasMember: a vital sign), when we can look at it. */
  #target(profiles, reference, path) {
    const [type, id] = String(reference).split('/').slice(-2);
    const target = this.#entries?.get(reference) ?? this.#containedHere(String(reference)) ?? this.#resolve(type, id);
    if (!target || profiles.some((url) => meets(target, url))) return;
    this.#say('structure', path, `refers to ${shown(reference)}, which does not meet ${profiles.join(' or ')}`);
  }

  /** The rules of one profile and no other. */
  against(url, resource) {
    [this.#resource, this.#root, this.#profile] = [resource, resource, url];
    this.#object(treeOf(url), resource.resourceType, resource, resource.resourceType, true);
  }

  /** The resource type a literal reference leads to, when that can be known. */
  #typeOf(reference) {
    if (typeof reference !== 'string') return undefined;
    if (reference.startsWith('#')) return this.#containedHere(reference)?.resourceType;
    if (reference.startsWith('urn:')) return this.#entries?.get(reference)?.resourceType;
    const [, type] = /(?:^|\/)([A-Z][A-Za-z]+)(?:\/[A-Za-z0-9.-]{1,64}(?:\/_history\/[^/]+)?|\?.*)$/.exec(reference) ?? [];
    return resourceTypes.has(type) ? type : undefined;
  }

  #containedHere(reference) {
    return [this.#root.contained ?? []].flat().find((resource) => resource?.id === reference.slice(1));
  }

  #extension(value, path) {
    const tree = typeof value.url === 'string' ? treeOf(value.url) : undefined;
    if (tree?.type === 'Extension') return this.#object(tree, 'Extension', value, path);
    if (value.url?.startsWith?.(BASE)) this.#say('value', path, `${shown(value.url)} is no extension of R4`);
  }

  /** The object beside a primitive ("_status"): an id and extensions. */
  #side(side, path) {
    const here = path.replace(/([^.]+)$/, '_$1');
    if (!isObject(side)) return this.#say('structure', here, `${shown(side)} is not a JSON object`);
    this.#object(treeOf('Element'), 'Element', side, here);
  }

  /** A resource inside a resource: contained, or the entry of a Bundle. */
  #inner(value, path) {
    const container = /\.contained\[\d+\]$/.test(path) ? this.#root : undefined;
    const once = `resource\n${path}`; // each profile of the container comes by here
    if (this.#evaluated.has(once)) return;
    this.#evaluated.add(once);
    this.resource(value, path, container);
  }

  #slices(rule, items, path) {
    for (const slice of rule.slices) {
      const members = items.filter((item) => belongs(rule, slice, item));
      this.#count(slice, members, path);
      for (const member of members) this.#item(slice, member);
    }
    if (rule.slicing?.rules !== 'closed') return;
    for (const item of items) {
      if (!rule.slices.some((slice) => belongs(rule, slice, item))) this.#say('structure', item.path, 'is in no slice, and the slicing is closed');
    }
  }

  #invariants(node, type, value, path, isResource) {
    const ofType = isResource || type === node.name ? NOTHING : treeOf(type)?.invariants ?? NOTHING;
    if (ofType.length + node.invariants.length === 0) return;
    const base = isResource ? undefined : ['BackboneElement', 'Element'].includes(type) ? node.id.replace(/:[^.]+/g, '') : type;
    for (const invariant of [...ofType, ...node.invariants]) {
      const once = `${invariant.key}\n${path}`;
      if (this.#evaluated.has(once)) continue;
      this.#evaluated.add(once);
      if (invariant.severity !== 'error' && !this.#warnings) continue;
      const verdict = judge(invariant, base, value, this.#resource, this.#root);
      if (verdict === 'fails') this.#say('invariant', path, `${invariant.key}: ${invariant.human}`, invariant.severity);
      if (verdict === 'unknown') this.#say('invariant', path, `${invariant.key} could not be evaluated`, 'warning');
    }
  }

  /** dom-3, which fhirpath cannot evaluate: a contained resource is referred to, or refers to its container. */
  #containedAreReferenced(value, path) {
    if (!Array.isArray(value.contained)) return;
    const references = new Set();
    const collect = (node) => {
      if (typeof node === 'string') references.add(node);
      else if (typeof node === 'object' && node !== null) Object.values(node).forEach(collect);
    };
    collect({ ...value, contained: undefined });
    for (const resource of value.contained) collect({ ...resource, id: undefined });
    value.contained.forEach((resource, i) => {
      const refersOut = JSON.stringify(resource ?? null).includes('"#"');
      if (!references.has(`#${resource?.id}`) && !refersOut) this.#say('invariant', `${path}.contained[${i}]`, 'dom-3: is contained but nothing refers to it');
    });
  }

  #sayIf(code, path, text) {
    if (text) this.#say(code, path, text);
  }

  #say(code, path, text, severity = 'error') {
    if (severity !== 'error' && !this.#warnings) return;
    const once = `${path}\n${text}`;
    if (this.#said.has(once)) return;
    this.#said.add(once);
    this.findings.push({ severity, code, path, text, profile: this.#profile });
  }
}

function entriesOf(bundle) {
  const entries = Array.isArray(bundle.entry) ? bundle.entry.filter(isObject) : [];
  return new Map(entries.flatMap(({ fullUrl, resource }) => [[fullUrl, resource], [`${resource?.resourceType}/${resource?.id}`, resource]]));
}

function meets(resource, url) {
  const walk = new Walk();
  walk.against(url, resource);
  return walk.findings.length === 0;
}

/** Is an item a member of a slice? Every discriminator must find the slice's own value in it. */
function belongs({ slicing }, slice, item) {
  if (!slicing?.discriminator.length) return false;
  return slicing.discriminator.every(({ type, path }) => {
    if (type === 'type') return slice.types.some(({ code }) => code === item.type);
    const steps = path === '$this' ? [] : path.split('.');
    const wanted = expected(slice, steps);
    const actual = steps.reduce((values, step) => values.flatMap((value) => value?.[step] ?? []), [item.value]);
    return wanted.some((want) => actual.some((value) => includes(value, want)));
  });
}

/** The fixed or pattern values a slice asks for at a path, also from slices further down. */
function expected(node, [step, ...rest]) {
  if (step === undefined) return [node.fixed ?? node.pattern].filter((value) => value !== undefined);
  const children = node.children.size > 0 ? node.children : treeOf(node.types?.[0].profiles?.[0] ?? node.types?.[0].code)?.children;
  const next = children?.get(step);
  return next ? [next, ...next.slices].flatMap((one) => expected(one, rest)) : [];
}

/** fixed[x]: equal in everything. */
function same(a, b) {
  return includes(a, b) && includes(b, a);
}

/** pattern[x]: everything in the pattern is in the value; array items in any place. */
function includes(value, pattern) {
  if (Array.isArray(pattern)) return Array.isArray(value) && pattern.every((want) => value.some((one) => includes(one, want)));
  if (isObject(pattern)) return isObject(value) && Object.entries(pattern).every(([name, want]) => includes(value[name], want));
  return value === pattern;
}
