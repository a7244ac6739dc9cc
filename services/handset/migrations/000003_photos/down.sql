DROP TABLE photo_use;
DROP TABLE photo_piece;
DROP TABLE photo;
