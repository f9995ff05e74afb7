// What the type checker cannot know: which element a selector finds is said by the templates, and what one classic
// script leaves for another.

interface ParentNode {
  querySelector(selector: string): any;
  querySelectorAll(selector: string): NodeListOf<any>;
}

interface NonElementParentNode {
  getElementById(id: string): any;
}

interface Document {
  getElementById(id: string): any;
  readonly activeElement: any;
}

// Clicks and keys come from elements.
interface EventTarget {
  closest?(selector: string): any;
}

declare var earwitnessCharts: {
  attach(figure: Element): void;
  update(figure: Element, curve: string, values: (number | null)[], u?: (number | null)[]): void;
};
declare var earwitnessInstruments: { push(facts: any): void; forEach?(act: (facts: any) => void): void } | undefined;
declare var earwitnessNumbers: Record<string, any> | undefined;
declare var earwitnessSite: any;
declare var earwitnessCurves: any;
declare var earwitnessFilters: any;
