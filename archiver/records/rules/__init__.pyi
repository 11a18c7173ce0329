from .rule_reader import find_rules as find_rules
from .rule_reader import read_rules as read_rules
from .rule_reader import shipped as shipped
from .rule_set import PLAIN as PLAIN
from .rule_set import STAGES as STAGES
from .rule_set import RuleSet as RuleSet
from .rule_set import ViewRequirement as ViewRequirement
from .rule_words import explain as explain
