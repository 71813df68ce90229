// A StructureDefinition's snapshot as a tree, so that a resource and its rules can be walked side by side.
//
// A node is one element definition of definitions.mjs plus
//   name      last part of its path, e.g. "code" or "value[x]"
//   children  Map of name -> node; empty when the rules stand in the element's type instead
//   slices    nodes of the slices made of it, each with a `slice` name
//   type      its type when it has one only; `side` is the name beside a primitive ("_status")

import { isPrimitive, structure, structureOfType } from '../definitions.mjs';
import { isJudged } from './invariants.mjs';

const trees = new Map();

/** The root node of a structure by canonical URL or type name; undefined when it is not known. */
export function treeOf(name) {
  if (!trees.has(name)) {
    const found = name.includes('/') ? structure(name) : structureOfType(name);
    trees.set(name, found && grow(found));
  }
  return trees.get(name);
}

function grow({ kind, type, url, elements }) {
  const nodes = new Map();
  let root;
  for (const element of elements) {
    const invariants = (element.invariants ?? []).filter(isJudged);
    const node = { ...element, invariants, children: new Map(), slices: [] };
    nodes.set(element.id, node);
    const dot = element.id.lastIndexOf('.');
    if (dot < 0) {
      root = Object.assign(node, { name: element.id, kind, type, url });
      continue;
    }
    const [name, slice] = element.id.slice(dot + 1).split(':');
    node.name = name;
    node.isChoice = name.endsWith('[x]');
    node.type = element.types?.[0].code ?? 'BackboneElement';
    node.side = !node.isChoice && isPrimitive(node.type) ? `_${name}` : undefined;
    const parent = nodes.get(element.id.slice(0, dot));
    if (slice) {
      node.slice = slice;
      parent.children.get(name).slices.push(node);
    } else {
      parent.children.set(name, node);
    }
  }
  // `sameAs` (contentReference): Observation.component.referenceRange has the rules of Observation.referenceRange.
  for (const node of nodes.values()) {
    if (node.sameAs) node.children = nodes.get(node.sameAs).children;
  }
  return root;
}
