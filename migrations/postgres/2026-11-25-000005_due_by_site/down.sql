DROP INDEX due_item_away;
DROP INDEX due_item_standing;
